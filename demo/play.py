"""Plays two weeks of an invented practice in seconds, and tells what happened. Run by `sh demo/run`."""

from __future__ import annotations

import os
import shlex
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from demo.checkout import read_checkouts
from demo.showing import show
from demo.stage import Stage
from demo.story import read_story
from demo.summary import Summary, rows_of, visits_of
from demo.tally import Tally, tally
from reminders.assembly import App
from reminders.care.timing import local_day
from reminders.clock import ShiftedClock, VirtualClock, zone_data_version
from reminders.config import load_config
from reminders.errors import ReminderError
from reminders.records.database import open_database
from reminders.records.key_sources import KeyFile
from reminders.records.practices import put_practice
from reminders.records.schema import migrate

HERE = Path(__file__).resolve().parent
MARK = ".made-by-the-demo"
"""Lies in a folder that the demo may make anew."""

_DAY = timedelta(days=1)

Tell = Callable[[datetime, int], None]


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--json", "as_json", is_flag=True, help="Print the summary as one JSON object for programs.")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=HERE / "out",
    help="The folder that is made anew; demo/out if not said.",
)
@click.option("--serve", "served", is_flag=True, help="Then open the practice's pages on this computer.")
@click.option("--port", type=click.IntRange(1, 65535), help="Where to serve them, 8420 if not said.")
def main(*, as_json: bool, out: Path, served: bool, port: int | None) -> None:
    """Play two weeks of an invented practice in seconds, and tell what happened.

    Patients are enrolled from demo/patients.csv, get their messages into a file, and write back as demo/story.toml
    says. Every figure told at the end is read from the database that is left in demo/out.
    """
    try:
        summary = play(out)
    except ReminderError as error:
        click.echo(f"demo: {error}", err=True)
        sys.exit(1)
    if as_json:
        sys.stdout.buffer.write(summary.as_json().encode() + b"\n")
    else:
        show(summary, Console(highlight=False, emoji=False, markup=False))
    if served:
        from demo.serving import serve_practice  # noqa: PLC0415  a second that the summary need not wait for

        zone = load_config(out / "config.toml").zone
        serve_practice(out, ShiftedClock(read_story(HERE / "story.toml", zone).until), port)


def play(out: Path) -> Summary:
    """Make `out` anew, play the story there, and return what happened."""
    clear(out)
    shutil.copyfile(HERE / "practice.toml", out / "config.toml")
    config = load_config(out / "config.toml")
    clock = VirtualClock(datetime.fromisoformat("2026-03-06T00:00:00Z"))
    app = App(config, clock)
    KeyFile(out / config.sealing.key_file).create()
    migrate(config.database_url, app.keyring)
    database = open_database(config.database_url, app.keyring)
    with database.writing() as session:
        put_practice(session, config.practice.id, config.practice.name, at=clock.now())
    database.close()
    checkouts = read_checkouts(HERE / "patients.csv", app)
    story = read_story(HERE / "story.toml", config.zone)
    first = min(each.at for each in checkouts)
    with progress(first, story.until) as tell:
        played = Stage(app, clock).play(checkouts, story, tell)
    found = tally(app, first_day=local_day(first, config.zone))
    app.database.close()
    return Summary(
        practice=config.practice.name,
        invented=True,
        zone_rules=zone_data_version(),
        rows=rows_of(played),
        moved_visits=visits_of(played, config.zone),
        tally=found,
        files={
            "messages": shown(config.outbox_folder / "messages.jsonl"),
            "e-mails": shown(config.outbox_folder / "emails"),
            "database": shown(out / "reminders.sqlite3"),
            "settings": shown(out / "config.toml"),
        },
        look_further=commands(out, found),
    )


def clear(out: Path) -> None:
    """Make an empty folder, or empty one that the demo made; another folder is left alone with an error."""
    if out.exists() and any(out.iterdir()):
        if not (out / MARK).is_file():
            raise ReminderError(f"{out} holds something that the demo did not make; name another folder with --out")
        shutil.rmtree(out)
    out.mkdir(parents=True, exist_ok=True)
    (out / MARK).touch()


def commands(out: Path, found: Tally) -> tuple[str, ...]:
    """Return commands with which to look further: at every concern, and at the course of the most urgent one."""
    course = next((call.enrollment_id for call in found.calls if call.enrollment_id), 1)
    start = shlex.join((shown(Path(sys.executable).parent / "reminders"), "--config", shown(out / "config.toml")))
    return (f"{start} concerns", f"{start} messages {course} --why", f"{start} record {course}")


def shown(path: Path) -> str:
    """Return a path as a person in the present folder would type it."""
    absolute = Path(os.path.abspath(path))  # noqa: PTH100  resolve() would follow the links of a virtual environment
    return str(absolute.relative_to(Path.cwd()) if absolute.is_relative_to(Path.cwd()) else absolute)


@contextmanager
def progress(first: datetime, until: datetime) -> Iterator[Tell]:
    """Show on stderr how far the days have come: a bar on a terminal, a line a day elsewhere."""
    console = Console(stderr=True, highlight=False)
    total = (until - first) / _DAY
    console.print(f"Playing {total:.0f} days of an invented practice with the program's own parts ...")
    if not console.is_terminal:
        yield _lines(console, first)
        return
    columns = (TextColumn("{task.description}"), BarColumn(bar_width=None), TimeElapsedColumn())
    with Progress(*columns, console=console, expand=True) as bar:
        task = bar.add_task("", total=total)
        sent = 0

        def tell(now: datetime, just_sent: int) -> None:
            nonlocal sent
            sent += just_sent
            passed = (now - first) / _DAY
            bar.update(task, completed=passed, description=f"Day {int(passed):>2}, {sent:>3} messages sent")

        yield tell


def _lines(console: Console, first: datetime) -> Tell:
    day = 0
    sent = 0

    def tell(now: datetime, just_sent: int) -> None:
        nonlocal day, sent
        passed = (now - first).days
        if passed > day:
            console.print(f"day {passed}: {sent} messages sent so far")
            day = passed
        sent += just_sent  # those of the new day's first moment are told with the next line

    return tell


if __name__ == "__main__":
    main(prog_name="sh demo/run")
