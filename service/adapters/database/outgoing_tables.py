"""Routes, and what is on its way along them: the tables, as `tables` has the others."""
