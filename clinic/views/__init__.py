"""Pages about people, patients, visits, and the office itself."""
