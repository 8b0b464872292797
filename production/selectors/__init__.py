"""Reads for the screens: plain functions, a fixed number of queries each."""
