"""The steps by which a database comes to the newest schema, one file each in `versions/`."""

NEWEST_VERSION = "0023"
"""The last step; kept here so that opening a database does not load the migration library."""
