"""Sites with their shifts, work in hand, notes, handovers: the tables, as `tables` has the others."""
