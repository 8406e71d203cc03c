"""What is said, in which words, and how it is coded for its channel; pure functions over frozen values."""
