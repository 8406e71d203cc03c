"""Timed aftercare messages for a small practice, and the concerns that come back."""

import zoneinfo

# System zone files differ between hosts and, in winter 2026-27, by an hour in several zones.
# Every host must compute the same moment, so only the pinned tzdata package is read.
zoneinfo.reset_tzpath(to=())
