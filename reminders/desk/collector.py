"""Lets the search for cycles rest while courses are made by the thousand: they leave none behind."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

_SELDOM = (100_000, 20, 100)


def search_seldom() -> None:
    """Let it rest in a process that does nothing else."""
    gc.freeze()
    gc.set_threshold(*_SELDOM)


@contextmanager
def searching_seldom() -> Iterator[None]:
    """Let it rest for a while."""
    before = gc.get_threshold()
    search_seldom()
    try:
        yield
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()
