"""Each adapter knows one outside thing and decides nothing."""
