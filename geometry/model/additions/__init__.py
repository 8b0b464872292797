"""What a model carries on request: bar, code, cavity."""
