"""The chair: scans, prepared models, aligner series."""
