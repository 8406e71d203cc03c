"""Whatever is done to a chain of audit entries is found, and said of the right entry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from reminders.records.audit_chain import BEFORE_THE_FIRST, PURGED, Anchor, Checker, Entry, as_details, hash_of

KEY = bytes(range(32))
NOON = datetime(2026, 6, 10, 12, 0, tzinfo=UTC)
TEXTS = ("practice_id", "who_kind", "who", "action", "about", "outcome", "details", "previous", "hash")


def chain_of(length: int, *, begins_after: tuple[int, str] = (0, BEFORE_THE_FIRST), **last: Any) -> list[Entry]:
    """A chain as the program writes it; `last` changes what the newest entry says."""
    sequence, previous = begins_after
    entries: list[Entry] = []
    for number in range(sequence + 1, sequence + length + 1):
        said: dict[str, Any] = {
            "practice_id": "main",
            "sequence": number,
            "at": NOON + timedelta(seconds=number),
            "who_kind": "staff",
        }
        said |= {"who": "3", "action": "course.see", "patient_id": number % 3 or None, "about": f"enrollment {number}"}
        said |= {"outcome": "done", "details": "{}", "previous": previous, "hash": ""}
        entry = Entry(**{**said, **(last if number == sequence + length else {})})
        entries.append(entry._replace(hash=hash_of(KEY, entry)))
        previous = entries[-1].hash
    return entries


@dataclass(frozen=True)
class Found:
    kind: str
    first: int
    last: int


def check(entries: Sequence[Entry], *, newest: int, anchor: Anchor | None = None) -> list[Found]:
    """What is wrong with a chain whose head says that `newest` is the last number."""
    checker = Checker(KEY, {anchor.sequence: anchor} if anchor else {})
    found = [*checker.follow(entries), *checker.end(newest)]
    return [Found(each.kind, each.first, each.last) for each in found]


def anchor_at(entry: Entry) -> Anchor:
    return Anchor(practice_id="main", sequence=entry.sequence, hash=entry.hash, at=NOON)


lengths = st.integers(min_value=2, max_value=12)


@given(lengths)
def test_an_untouched_chain_has_nothing_wrong(length: int) -> None:
    entries = chain_of(length)
    assert check(entries, newest=length, anchor=anchor_at(entries[length // 2])) == []


@given(lengths, st.data())
def test_any_changed_character_of_any_text_is_found_where_it_is(length: int, data: st.DataObject) -> None:
    entries = chain_of(length)
    at = data.draw(st.integers(0, length - 1))
    name = data.draw(st.sampled_from(TEXTS))
    old = getattr(entries[at], name)
    place = data.draw(st.integers(0, len(old)))
    new = old[:place] + data.draw(st.text(max_size=2)) + old[place + 1 :]
    entries[at] = entries[at]._replace(**{name: new})
    found = check(entries, newest=length)
    assert (found == []) == (new == old)
    if found:
        assert Found("altered", at + 1, at + 1) in found


@given(lengths, st.data())
def test_any_changed_number_or_moment_is_found_where_it_is(length: int, data: st.DataObject) -> None:
    entries = chain_of(length)
    at = data.draw(st.integers(0, length - 1))
    later = timedelta(microseconds=data.draw(st.integers(1, 10**12)))
    changed: dict[str, Any] = data.draw(
        st.sampled_from([{"patient_id": 99}, {"patient_id": -1}, {"at": entries[at].at + later}])
    )
    entries[at] = entries[at]._replace(**changed)
    assert check(entries, newest=length) == [Found("altered", at + 1, at + 1)]


@given(st.integers(3, 12), st.data())
def test_an_entry_taken_out_of_the_middle_is_named_as_missing(length: int, data: st.DataObject) -> None:
    entries = chain_of(length)
    gone = data.draw(st.integers(2, length - 1))
    del entries[gone - 1]
    assert check(entries, newest=length) == [Found("missing", gone, gone)]


@given(lengths, st.data())
def test_two_entries_in_each_others_place_are_found(length: int, data: st.DataObject) -> None:
    entries = chain_of(length)
    one, other = data.draw(st.lists(st.integers(0, length - 1), min_size=2, max_size=2, unique=True))
    first, second = entries[one], entries[other]
    entries[one] = second._replace(sequence=first.sequence)
    entries[other] = first._replace(sequence=second.sequence)
    found = check(entries, newest=length)
    assert {Found("altered", each + 1, each + 1) for each in (one, other)} <= set(found)


@given(lengths, st.data())
def test_an_entry_put_in_with_all_later_ones_moved_is_found(length: int, data: st.DataObject) -> None:
    entries = chain_of(length)
    at = data.draw(st.integers(0, length - 1))
    copied = entries[data.draw(st.integers(0, length - 1))]
    moved = [each._replace(sequence=each.sequence + 1) for each in entries[at:]]
    put_in = copied._replace(sequence=at + 1)
    assert check([*entries[:at], put_in, *moved], newest=length + 1) != []


@given(lengths, st.data())
def test_whoever_lacks_the_key_cannot_chain_anew(length: int, data: st.DataObject) -> None:
    entries = chain_of(length)
    at = data.draw(st.integers(0, length - 1))
    previous = entries[at].previous
    forged = entries[:at]
    for each in entries[at:]:
        entry = each._replace(previous=previous, who="4")
        forged.append(entry._replace(hash=hash_of(b"guessed", entry)))
        previous = forged[-1].hash
    assert check(forged, newest=length)[0] == Found("altered", at + 1, at + 1)


@given(lengths, st.data())
def test_a_tail_cut_off_with_its_head_is_found_by_an_anchor_alone(length: int, data: st.DataObject) -> None:
    entries = chain_of(length)
    left = data.draw(st.integers(0, length - 1))
    assert check(entries[:left], newest=left) == []
    assert check(entries[:left], newest=left, anchor=anchor_at(entries[-1])) == [Found("cut_off", left + 1, length)]
    assert check(entries[:left], newest=length) == [Found("cut_off", left + 1, length)]


@given(lengths, st.data())
def test_a_tail_written_anew_with_the_key_is_found_by_an_anchor(length: int, data: st.DataObject) -> None:
    entries = chain_of(length)
    at = data.draw(st.integers(0, length - 1))
    begins_after = (at, entries[at - 1].hash if at else BEFORE_THE_FIRST)
    anew = [*entries[:at], *chain_of(length - at, begins_after=begins_after, who="9")]
    found = check(anew, newest=length, anchor=anchor_at(entries[-1]))
    assert found == [Found("not_as_anchored", length, length)]


@given(st.integers(1, 6), lengths)
def test_a_purged_beginning_is_right_only_if_the_chain_tells_of_it(purged: int, length: int) -> None:
    whole = chain_of(purged)
    told = as_details({"through": purged, "hash": whole[-1].hash})
    told_of = chain_of(length, begins_after=(purged, whole[-1].hash), action=PURGED, details=told)
    silent = chain_of(length, begins_after=(purged, whole[-1].hash))
    newest = purged + length
    assert check(told_of, newest=newest) == []
    assert check(silent, newest=newest) == [Found("missing", 1, purged)]
    assert check(told_of[1:], newest=newest) == [Found("missing", 1, purged + 1)]
