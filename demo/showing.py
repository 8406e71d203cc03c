"""Shows the summary to a person at a terminal, eighty columns wide or more."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Literal

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from demo.summary import Summary
from demo.tally import Call, Tally

_STYLES = {"emergency": "bold red", "urgent": "bold yellow", "routine": "cyan", "stop": "magenta"}
_RULES = {
    "quiet_hours": "Quiet hours",
    "not_before": "The moment had passed when the patient stood at the desk",
    "kept_apart": "Kept two minutes apart from the message before",
    "joined": "Said together with a neighbour",
}
"""What staff read for each rule that moves a message."""
_EXAMPLES = 3


def show(summary: Summary, console: Console) -> None:
    """Print the summary."""
    tally = summary.tally
    console.print()
    _show_head(summary, console)
    _show_rows(summary, console)
    _show_days(tally, console)
    _show_moved(tally, console)
    _show_not_sent(tally, console)
    _show_visits(summary, console)
    _show_replies(tally, console)
    _show_calls(tally, console)
    _show_files(summary, console)


def _show_head(summary: Summary, console: Console) -> None:
    tally = summary.tally
    first, last = tally.days[0], tally.days[-1]
    console.print(
        f"{summary.practice}, an invented practice: {last.day} days from {first.date:%A} {first.date.day} "
        f"{first.date:%B %Y}",
        style="bold",
    )
    _heading("What was sent", console)
    console.print(
        f"{tally.sent} messages in {tally.segments} SMS segments to {tally.patients} patients in "
        f"{len(tally.zones)} time zones; {tally.joined} more instructions were said within them; "
        f"{tally.to_come} are still to come."
    )
    console.print(", ".join(f"{key} {count}" for key, count in tally.kinds.items()), style="dim")


def _show_rows(summary: Summary, console: Console) -> None:
    refused = [row for row in summary.rows if row.state != "enrolled"]
    _heading(f"Of {len(summary.rows)} lines in the list, {len(refused)} were not enrolled", console)
    rows = []
    for row in refused:
        why = "; ".join(row.problems) or f"is enrolled already (enrollment {row.enrollment_id})"
        rows.append((f"line {row.line}", row.name, why))
    _table(console, ("", "Name", "Why"), rows)


def _show_days(tally: Tally, console: Console) -> None:
    _heading("Day by day", console)
    rows = [
        (
            str(day.day),
            f"{day.date:%a} {day.date.day} {day.date:%b}",
            *(str(count or "") for count in (day.sms, day.emails, day.answers, day.replies, day.concerns)),
        )
        for day in tally.days
    ]
    headings = ("Day", "Date", "SMS", "E-mails", "of them answers", "Replies in", "New concerns")
    _table(console, headings, rows, numbers=(0, 2, 3, 4, 5, 6))


def _show_moved(tally: Tally, console: Console) -> None:
    _heading(f"{len(tally.moved)} messages were moved", console)
    for rule, words in _RULES.items():
        ours = [each for each in tally.moved if each.rule == rule]
        if not ours:
            continue
        console.print(f"{words}: {len(ours)}", style="bold")
        for each in ours[:_EXAMPLES]:
            moment = f"planned {_when(each.planned_at)}, sent {_when(each.sent_at)}"
            console.print(Padding(f"{each.who}, {each.key}: {moment}\n({each.why})", (0, 0, 0, 2)), style="dim")
        if len(ours) > _EXAMPLES:
            console.print(f"  and {len(ours) - _EXAMPLES} more; --json lists them", style="dim")


def _show_not_sent(tally: Tally, console: Console) -> None:
    count = sum(len(each.keys) for each in tally.not_sent)
    _heading(f"{count} messages were not sent", console)
    rows = [(each.who, each.why, _counted(each.keys)) for each in tally.not_sent]
    _table(console, ("Patient", "Why", "What"), rows)
    for each in tally.at_desk:
        console.print(f"Said at the desk, to {each.who} ({_when(each.at)}): {', '.join(each.keys)}")
        console.print(Padding(f"({each.why})", (0, 0, 0, 2)), style="dim")


def _show_visits(summary: Summary, console: Console) -> None:
    for visit in summary.moved_visits:
        changed = ", ".join(f"{change.key} {change.what}" for change in visit.changes)
        console.print(f"\nThe visit of {visit.who} was moved to {_when(visit.to)} ({visit.by}): {changed}")


def _show_replies(tally: Tally, console: Console) -> None:
    _heading(f"{len(tally.replies)} replies, and how they were read", console)
    rows = []
    for each in tally.replies:
        read = Text(each.label.replace("_", " "), style=_STYLES.get(each.label, ""))
        if each.signs:
            read.append(f"\n{', '.join(sign.replace('_', ' ') for sign in each.signs)}", style="dim")
        rows.append((_when(each.at), each.who, each.text, read))
    _table(console, ("When", "Patient", "Words", "Read as"), rows)


def _show_calls(tally: Tally, console: Console) -> None:
    _heading(f"Who needs a call now, {_when(tally.now)}", console)
    rows = [
        (
            Text(each.urgency, style=_STYLES.get(each.urgency, "")),
            Text.assemble(f"{each.who}\n", (each.call, "dim")),
            Text.assemble(f"{each.words or ''}\n", (each.about, "dim")),
            _due(each, tally.now),
        )
        for each in tally.calls
    ]
    _table(console, ("", "Call", "Words", "Due"), rows, whole=(1, 3))
    outcomes = _counted(tuple((each.outcome or "").replace("_", " ") for each in tally.closed))
    console.print(f"{len(tally.closed)} other concerns were closed: {outcomes}.")


def _due(call: Call, now: datetime) -> Text:
    left = call.due_at - now
    clock = f"{_length(abs(left))} {'left' if left >= timedelta(0) else 'overdue'}"
    return Text.assemble(f"{_when(call.due_at)}\n", (clock, "bold red" if left < timedelta(minutes=15) else "dim"))


def _show_files(summary: Summary, console: Console) -> None:
    _heading("To look at", console)
    for name, path in summary.files.items():
        console.print(f"{name:<9} {path}", soft_wrap=True)
    console.print()
    for command in summary.look_further:
        console.print(f"  {command}", soft_wrap=True)
    console.print("\nAll of it is invented: the practice, the people, the numbers, the addresses.", style="dim")


def _heading(text: str, console: Console) -> None:
    console.print(f"\n{text}", style="bold underline")


def _table(
    console: Console,
    headings: Sequence[str],
    rows: Iterable[Sequence[str | Text]],
    *,
    numbers: Sequence[int] = (),
    whole: Sequence[int] = (),
) -> None:
    """Print a table; the columns of `numbers` stand to the right, those of `whole` are not broken."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for place, heading in enumerate(headings):
        justify: Literal["left", "right"] = "right" if place in numbers else "left"
        table.add_column(heading, justify=justify, overflow="fold", no_wrap=place in whole)
    for row in rows:
        table.add_row(*(Text(cell) if isinstance(cell, str) else cell for cell in row))
    if table.row_count:
        console.print(table)


def _counted(words: Sequence[str]) -> str:
    counts = {word: words.count(word) for word in dict.fromkeys(words)}
    return ", ".join(f"{word} x{count}" if count > 1 else word for word, count in counts.items())


def _when(instant: datetime) -> str:
    return f"{instant:%a} {instant.day} {instant:%b %H:%M}"


def _length(length: timedelta) -> str:
    minutes = int(length.total_seconds() // 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02} min" if hours < 24 else f"{hours // 24} d {hours % 24} h"
