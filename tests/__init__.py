"""The tests; a package, so that `python -m tests.benchmarks` finds ours and no other."""
