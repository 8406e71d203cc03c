"""The proof of a plan: every rule, for every kind of patient, at every moment that makes a difference."""
