"""Two weeks of an invented practice, played in seconds with the program's own parts and a clock that jumps."""
