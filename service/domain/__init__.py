"""What decides: pure functions over frozen values, with no I/O, no clock and no randomness."""
