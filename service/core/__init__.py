"""What can be checked with paper and a stopwatch: no I/O, no clock, no logging, no framework."""
