"""Read the audit trail, prove that nobody altered it, and give anchors to keep elsewhere."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.trail import SAID, Action, note_change
from reminders.errors import InputError, NotFound
from reminders.records import api_keys, audit, staff
from reminders.records.audit import Wanted, Who
from reminders.records.audit_chain import Anchor, Checker, Entry, Finding
from reminders.records.database import Database
from reminders.records.row_proofs import ProvenRow, RowChecker
from reminders.words import gettext

_MOST_FINDINGS = 1000
_MOST_LOOKS = 3
_OTHERS = ("patient", "program")


@dataclass(frozen=True, kw_only=True)
class Listed:
    """An entry as a person reads it."""

    entry: Entry
    who: str
    """The name of a person, a key or a user of this computer; empty for the patient and the program."""
    said: str
    """What they did."""
    details: Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class Verified:
    """What became of a proof."""

    entries: int
    oldest: int
    """The number of the first entry that is kept; 1 unless older ones were purged."""
    newest: int
    findings: tuple[Finding, ...]
    """A thousand at most; those beside each other are one."""
    anchors: int
    """So many were compared."""
    too_old: int
    """So many name entries that were purged since."""
    rows: int
    """So many rows were compared with what the trail says of them."""
    other_rows: tuple[ProvenRow, ...]
    """Those that say something else than when this program last wrote them; a thousand at most."""
    seconds: float

    @property
    def is_sound(self) -> bool:
        """Say whether nothing is wrong."""
        return not self.findings and not self.other_rows


def list_entries(session: Session, desk: Desk, wanted: Wanted, *, limit: int) -> tuple[Listed, ...]:
    """Return the newest entries that fit, newest first."""
    found = audit.find_entries(session, desk.practice_id, wanted, limit=limit)
    names = {Who("staff", str(each.id)): each.name for each in staff.members(session, desk.practice_id)}
    names |= {Who("key", str(each.id)): each.name for each in api_keys.keys_of(session, desk.practice_id)}
    return tuple(
        Listed(
            entry=each,
            who=names.get(Who(each.who_kind, each.who), each.who),
            said=gettext(SAID[Action(each.action)]) if each.action in SAID else each.action,
            details=json.loads(each.details),
        )
        for each in found
    )


def somebody(session: Session, desk: Desk, text: str) -> Who:
    """Return whom a text names: a login, name or number of the staff, `key:7`, `cli:USER`, `patient` or `program`.

    Raises NotFound.
    """
    wanted = text.strip()
    kind, colon, name = wanted.partition(":")
    if colon and kind in {"staff", "key", "cli"}:
        return Who(kind, name)
    if wanted in _OTHERS:
        return Who(wanted)
    for each in staff.members(session, desk.practice_id):
        if wanted.lower() in {each.login, each.name.lower(), str(each.id)}:
            return Who("staff", str(each.id))
    raise NotFound(gettext("nobody here is called {name!r}; programs are key:NUMBER, commands cli:USER", name=wanted))


def verify(
    database: Database, desk: Desk, anchors: Sequence[Anchor], *, tell: Callable[[int, int], None] = lambda _d, _t: None
) -> Verified:
    """Prove the practice's chain from its first entry to its last, a page at a time, and the rows that it speaks of.

    `tell` hears how far it is. What is appended meanwhile is left for the next proof. Each page is a look of its own,
    so that nobody waits.
    """
    practice, began = desk.practice_id, time.monotonic()
    with database.reading() as session:
        head = audit.head_of(session, practice)
        checker = Checker(audit.chain_key(session), {each.sequence: each for each in anchors})
        rows = RowChecker(audit.proof_key(session))
    findings: list[Finding] = []
    reached = 0
    while page := _follow(database, practice, reached, head.sequence, rows):
        _add(findings, checker.follow(page))
        reached = page[-1].sequence
        tell(reached, head.sequence)
    _catch_up(database, practice, reached, rows)
    too_old = [each for each in anchors if each.sequence < checker.oldest]
    _add(findings, checker.end(head.sequence))
    return Verified(
        entries=checker.count,
        oldest=checker.oldest,
        newest=reached,
        findings=tuple(findings),
        anchors=len(anchors) - len(too_old),
        too_old=len(too_old),
        rows=rows.proved,
        other_rows=tuple(rows.differing)[:_MOST_FINDINGS],
        seconds=time.monotonic() - began,
    )


def _follow(database: Database, practice: str, after: int, through: int, rows: RowChecker) -> list[Entry]:
    """Return the next entries after a number up to another, once the rows that they prove were looked at."""
    with database.reading() as session:
        page = audit.page_after(session, practice, after, through=through)
        rows.follow(session, (each.details for each in page))
    return page


def _catch_up(database: Database, practice: str, reached: int, rows: RowChecker) -> None:
    """Ask the entries that were appended meanwhile about rows that differ: each row changes with its entry."""
    for _ in range(_MOST_LOOKS):
        if not rows.differing:
            return
        with database.reading() as session:
            newest = audit.head_of(session, practice).sequence
        while page := _follow(database, practice, reached, newest, rows):
            reached = page[-1].sequence


def take_anchor(session: Session, desk: Desk) -> Anchor:
    """Return what the chain comes to now, and note that it was given out."""
    anchor = audit.anchor_now(session, desk.practice_id, desk.clock.now())
    note_change(session, desk, Action.AUDIT_ANCHOR, (None, f"entry {anchor.sequence}"))
    return anchor


def write_anchor(anchor: Anchor) -> str:
    """Return an anchor as a line of a file."""
    return json.dumps({**asdict(anchor), "at": anchor.at.isoformat()})


def read_anchors(text: str, desk: Desk) -> tuple[Anchor, ...]:
    """Return the anchors of this practice in a file, one a line; InputError when it has none, or a line is none."""
    found = []
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        try:
            said = json.loads(line)
            anchor = Anchor(
                practice_id=str(said["practice_id"]),
                sequence=int(said["sequence"]),
                hash=str(said["hash"]),
                at=datetime.fromisoformat(said["at"]),
            )
        except (ValueError, KeyError, TypeError):
            raise InputError(
                gettext("line {number} is no anchor; `reminders audit anchor` writes them", number=number)
            ) from None
        if anchor.practice_id == desk.practice_id and anchor.sequence > 0:
            found.append(anchor)
    if not found:
        raise InputError(gettext("the file holds no anchor of this practice"))
    return tuple(found)


def _add(findings: list[Finding], more: Iterable[Finding]) -> None:
    for each in more:
        last = findings[-1] if findings else None
        if last is not None and last.kind == each.kind and last.last + 1 == each.first:
            findings[-1] = Finding(kind=each.kind, first=last.first, last=each.last)
        elif len(findings) < _MOST_FINDINGS:
            findings.append(each)
