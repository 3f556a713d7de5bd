"""Everything between a Frame and a Decision: no I/O, no thread, no clock, no randomness."""
