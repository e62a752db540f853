"""Prognoses, kept as they were made: the tables, as `tables` has the others."""
