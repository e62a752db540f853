"""Alerts and every transition of them: the tables, as `tables` has the others."""
