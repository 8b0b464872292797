"""Dates as 25 Nov 2026, times as 16:10: unmistakable to readers from either side of an ocean."""

DATE_FORMAT = "j M Y"
TIME_FORMAT = "H:i"
DATETIME_FORMAT = "j M Y, H:i"
SHORT_DATE_FORMAT = "j M Y"
SHORT_DATETIME_FORMAT = "j M Y, H:i"
YEAR_MONTH_FORMAT = "F Y"
FIRST_DAY_OF_WEEK = 1
