"""Reads, for views and documents. Each answers one question in a fixed number of queries."""
