"""What the practice keeps: tables, sessions, migrations and every query. The only code that speaks SQL."""
