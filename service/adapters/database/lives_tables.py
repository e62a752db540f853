"""Why chains came off, sprockets, and what was done about lubrication: the tables, as `tables` has the others."""
