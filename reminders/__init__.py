"""Timed aftercare messages for a small practice, and the concerns that come back."""
