"""Everything that reads what comes from outside, given inputs that nobody meant: `python -m tests.fuzz --n 1000000`."""
