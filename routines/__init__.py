"""The science: pure functions and scripts, with no I/O, no clock and no randomness of their own."""
