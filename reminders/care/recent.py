"""Keeps the values last made, up to a number, so that the same text is not rendered again."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

Value = TypeVar("Value")


class Recent(Generic[Value]):
    """A bounded store of made values; when it is full, the one made longest ago gives way.

    Two threads may make the same value at once; both then hold equal values, so nothing needs a lock.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: dict[Hashable, Value] = {}

    def get(self, key: Hashable, make: Callable[[], Value]) -> Value:
        """Return the value kept for `key`, made by `make` when there is none."""
        found = self._kept.get(key)
        if found is not None:
            return found
        made = make()
        while len(self._kept) >= self._most:
            self._kept.pop(next(iter(self._kept), None), None)
        self._kept[key] = made
        return made

    def __len__(self) -> int:
        """Return how many values are kept."""
        return len(self._kept)
