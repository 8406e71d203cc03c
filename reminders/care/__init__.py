"""What the plan says and when: procedure files, timing, quiet hours, the schedule of one course. Pure."""
