"""Tests of the pure rules: no database, no clock, no network."""
