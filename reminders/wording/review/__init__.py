"""What can be wrong with one text as a patient gets it. Pure."""
