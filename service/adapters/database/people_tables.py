"""People, sessions, tokens, and what was changed by whom: the tables, as `tables` has the others."""
