"""The bench's own rules, free of requests and screens: codes, fold, material fit, GS1."""
