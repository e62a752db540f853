"""What conditions are judged by: setpoints, what is due to be looked at, where the looking stands: the tables, as `tables` has the others."""
