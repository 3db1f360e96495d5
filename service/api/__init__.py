"""HTTP in, JSON out: one file per resource; no rules, no SQL."""
