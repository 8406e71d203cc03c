"""Patients' replies: one incoming text becomes an explained triage result."""

from reminders.replies.labels import Evidence, Label, Triage
from reminders.replies.marking import mark
from reminders.replies.triage import triage, triage_joined

__all__ = ["Evidence", "Label", "Triage", "mark", "triage", "triage_joined"]
