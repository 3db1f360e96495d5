"""One file for each store, and the embedded server."""
