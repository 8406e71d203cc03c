"""What is asked of the same words again and again, and worked out once."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

_MOST = 100_000  # beyond it, what is new is worked out each time
_Key = TypeVar("_Key")
_Value = TypeVar("_Value")


class Remembered(dict[_Key, _Value]):
    """A value for each key, worked out at the first time.

    A look-up is that of a plain dictionary: no call of Python's, and unlike in `lru_cache` no order of use to keep,
    which for tables so large costs more than the look-up.
    """

    def __init__(self, work_out: Callable[[_Key], _Value]) -> None:
        super().__init__()
        self._work_out = work_out

    def __missing__(self, key: _Key) -> _Value:
        value = self._work_out(key)
        if len(self) < _MOST:
            self[key] = value
        return value
