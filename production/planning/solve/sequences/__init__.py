"""Plans held as sequences, and the search that changes them."""
