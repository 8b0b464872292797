"""The office: machines, stock, review, settings."""
