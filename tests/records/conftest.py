"""Every test of this folder that asks for a database runs on SQLite and on a real PostgreSQL."""

from tests.databases import database, database_url

__all__ = ["database", "database_url"]
