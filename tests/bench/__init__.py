"""Measurements that are run by hand; what they printed stands where the figure is used."""
