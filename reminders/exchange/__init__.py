"""The formats of other programs: calendars, records, tables."""
