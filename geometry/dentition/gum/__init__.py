"""The gingival margin and how much tissue was captured beyond it."""
