"""Knows which field of the input a problem is about, for whoever shows fields: text like any other to all others."""

from __future__ import annotations

from collections.abc import Iterable


class Blamed(str):
    """A problem of `InputError` that names the field at fault, as `EnrollmentInput` and `CourseInput` call it."""

    __slots__ = ("field",)
    field: str

    def __new__(cls, problem: str, field: str) -> Blamed:
        """Return the problem with its field."""
        made = super().__new__(cls, problem)
        made.field = field
        return made

    def __getnewargs__(self) -> tuple[str, str]:  # type: ignore[override]  # of what a copy is made
        return str(self), self.field


def blame(field: str, problems: Iterable[str]) -> list[str]:
    """Return problems that name this field, but for those that name one already."""
    return [each if isinstance(each, Blamed) else Blamed(each, field) for each in problems]
