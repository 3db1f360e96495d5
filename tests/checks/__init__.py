"""Published check values, each with its source, asked of the public functions of the domain."""
