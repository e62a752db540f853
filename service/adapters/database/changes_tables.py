"""Planned stops, supply, and duty as people plan it: the tables, as `tables` has the others."""
