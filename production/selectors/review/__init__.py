"""The figures of the Review page: counted from facts, by period, stage, cause and person."""
