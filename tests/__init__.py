"""Tests on a real PostgreSQL, without mocks of our own code."""
