"""The pages of staff, the pages of patients and the programming interface: shells over the desk."""
