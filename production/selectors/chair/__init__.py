"""What the pages of scans and series show."""
