"""How likely promises are kept, what can be promised, and what helps one at risk."""
