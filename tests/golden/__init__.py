"""What was stored once, one sample for each layout, never changed."""
