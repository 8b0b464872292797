"""Reads, for views and documents, by the room that shows them, and the figures of ``review``.

Each answers one question in a fixed number of queries.
"""
