"""Closed solids: made from fields, united, taken from each other."""
