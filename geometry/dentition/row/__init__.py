"""The row of teeth: places, numbers, spaces and missing teeth."""
