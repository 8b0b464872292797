"""Soft tissue and walls that were scanned along with an arch."""
