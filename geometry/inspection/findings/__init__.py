"""What is worth telling, worded for the person with the scanner in hand."""
