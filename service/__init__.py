"""linklag: live wear elongation of chains from the phase lag of two sensors."""
