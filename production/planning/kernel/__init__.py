"""How the bench works: the compiled simulation behind plan, quote and foresight."""
