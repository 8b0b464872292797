"""What stock and machines show."""
