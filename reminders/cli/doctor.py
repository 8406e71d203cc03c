"""`reminders doctor`: looks at the whole installation and says what is wrong and what to do."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial

import click
from rich.text import Text

from reminders.cli.doctor_checks import Finding, Grade, all_findings
from reminders.cli.faults import DONE, FELL_SHORT
from reminders.cli.json_output import print_json
from reminders.cli.options import assembled, config_path, json_option
from reminders.cli.terminal import line, show_rows, table
from reminders.words import SOURCE_LANGUAGE, gettext, marked, speaking

_MARKS = {
    Grade.FINE: (marked("ok"), "green"),
    Grade.NOTE: (marked("note"), "yellow"),
    Grade.WRONG: (marked("WRONG"), "bold red"),
}


@click.command(
    epilog="\b\nExamples:\n  reminders doctor\n  reminders --config /etc/reminders/config.toml doctor --json\n"
)
@json_option
@click.pass_context
def doctor(ctx: click.Context, as_json: bool) -> int:
    """Check configuration, database, plans, approvals, transports and what waits; exit 1 when something is wrong."""
    if as_json:
        ctx.with_resource(speaking(SOURCE_LANGUAGE))
    found = list(all_findings(config_path(ctx), partial(assembled, ctx)))
    if as_json:
        print_json([_as_json(each) for each in found])
    else:
        _show(found)
    return FELL_SHORT if any(each.grade is Grade.WRONG for each in found) else DONE


def _show(found: Iterable[Finding]) -> None:
    rows: list[list[str | Text]] = []
    wrong = 0
    for each in found:
        mark, style = _MARKS[each.grade]
        wrong += each.grade is Grade.WRONG
        says = Text(each.says)
        if each.advice:
            says.append(f"\n→ {each.advice}", style="bold" if each.grade is Grade.WRONG else "")
        rows.append([Text(gettext(mark), style=style), each.about, says])
    show_rows(
        table(("", {"no_wrap": True}), (gettext("What"), {"max_width": 24}), (gettext("Finding"), {"ratio": 1})), rows
    )
    if wrong:
        line(gettext("{count} to put right.", count=wrong), style="bold red")
    else:
        line(gettext("Nothing is wrong."), style="bold green")


def _as_json(each: Finding) -> dict[str, object]:
    return {"about": each.about, "grade": str(each.grade), "says": each.says, "advice": each.advice}
