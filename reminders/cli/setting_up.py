"""`reminders init`: asks what it must know, writes the configuration, creates or updates the database."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import click
from pydantic import ValidationError
from pydantic_core import ErrorDetails

from reminders.assembly import App
from reminders.cli.configuration_text import configuration_text
from reminders.cli.emergency_numbers import calls_for_help, country_of
from reminders.cli.json_output import print_json
from reminders.cli.keys import make_first_key, tell_of_key
from reminders.cli.options import assembled, config_path, json_option
from reminders.cli.terminal import ask, line, somebody_is_there, warn
from reminders.config import DEFAULT_PATH, ENV_CONFIG, Config
from reminders.errors import ConfigError, InputError, ReminderError
from reminders.records.database import open_database, shown
from reminders.records.engines import parse_url
from reminders.records.practices import put_practice
from reminders.records.schema import key_in_use, migrate, schema_version
from reminders.words import gettext, marked

_LEAD = "partial-nail-avulsion-chemical"
_QUESTIONS: Mapping[str, tuple[str, str | None]] = {
    "name": (marked("Name of the practice, as patients know it"), None),
    "zone": (marked("Time zone of the practice, like America/Chicago"), None),
    "region": (marked("Country whose numbers are typed without a country code (two letters)"), "US"),
    "phone": (marked("Telephone number that patients call"), None),
    "after_hours_phone": (marked("Number after hours (empty if there is none)"), ""),
    "emergency_number": (marked("Emergency number"), "911"),
}
"""Setting → question and default; None where there must be an answer."""

_A_LINE = marked("must be one line of 1 to 80 characters")
_FORMS = {
    "region": marked("must be a country's two letters, like US"),
    **dict.fromkeys(("name", "phone", "emergency_number"), _A_LINE),
    "after_hours_phone": marked("may have 40 characters"),
}


@dataclass(frozen=True, kw_only=True)
class _Done:
    """What was made."""

    config: Path
    wrote_config: bool
    database: str
    schema_before: str | None
    schema: str
    made_key_file: Path | None
    """None when there was one, or the keys are kept elsewhere."""
    sealed: int
    """Rows that an older program had left readable."""

    @property
    def database_story(self) -> str:
        if self.schema_before is None:
            said = marked("Created the database {database} (schema {schema}).")
        elif self.schema_before == self.schema:
            said = marked("The database {database} has the newest schema ({schema}) already.")
        else:
            said = marked("Updated the database {database} from schema {before} to {schema}.")
        return gettext(said, database=self.database, schema=self.schema, before=self.schema_before)


@click.command(
    epilog="""\b
Examples:
  reminders init
  reminders init --name "Example Foot Care" --zone America/Chicago --phone 312-555-0100
  reminders --config trial.toml init --name "Example Foot Care" --zone America/Chicago --phone 312-555-0100 --demo
  reminders init                            (again, after an update: brings the database to the newest schema)
""",
)
@click.option("--name", help="The practice's name, as patients know it.")
@click.option("--zone", metavar="ZONE", help="The practice's time zone, like America/Chicago.")
@click.option("--region", metavar="CODE", help="The country whose numbers need no country code, like US.")
@click.option("--phone", help="The number that patients call.")
@click.option("--after-hours-phone", help="The number after hours, if there is one.")
@click.option("--emergency-number", metavar="NUMBER", help="The emergency number; 911 if not said, where it is one.")
@click.option("--email", metavar="ADDRESS", help="The address that e-mails come from, if you send any.")
@click.option("--language", metavar="CODE", help="The language most patients read, en if not said.")
@click.option("--database", metavar="URL", help="sqlite:///FILE or postgresql+psycopg://USER@HOST/NAME.")
@click.option("--demo", is_flag=True, help="For trial only: unapproved plans and draft translations may be used.")
@click.option("--force", is_flag=True, help="Replace a configuration that is there; the old one is kept beside it.")
@json_option
@click.pass_context
def init(
    ctx: click.Context, /, force: bool, demo: bool, database: str | None, as_json: bool, **answers: str | None
) -> None:
    """Write a configuration and create the database; asks what you don't say.

    Without a terminal, --name, --zone and --phone must be given. With a configuration already there, it is left as
    it is and only the database is created or updated.
    """
    build = partial(assembled, ctx)
    path = config_path(ctx) or Path(os.environ.get(ENV_CONFIG) or DEFAULT_PATH)
    given = {name: answer for name, answer in answers.items() if answer is not None}
    if path.exists() and not force:
        if given or demo or database:
            said = marked(
                "{path} is there already and was not touched; edit it, or say --force to replace it "
                "(without other options, `reminders init` creates or updates its database)"
            )
            raise InputError(gettext(said, path=path))
        done = _prepare_database(path, build, wrote_config=False)
    else:
        given = _asked(given)
        done = _write_and_prepare(path, given | ({"database": database} if database else {}), build, demo=demo)
    _show(done, as_json=as_json)


def _asked(given: dict[str, str]) -> dict[str, str]:
    """Return the answers with those that were missing: asked where somebody is there, else by default."""
    wanted = {name: question for name, question in _QUESTIONS.items() if name not in given}
    if somebody_is_there():
        for name, (question, default) in wanted.items():
            offered = default if name != "emergency_number" or _is_right_there(default, given) else None
            given[name] = ask(gettext(question), partial(_sound, name), default=offered)
        return given
    number = wanted.get("emergency_number")
    if number is not None and not _is_right_there(number[1], given):
        wanted["emergency_number"] = (number[0], None)
    missing = [f"--{name.replace('_', '-')}" for name, (_, default) in wanted.items() if default is None]
    if missing:
        raise InputError(*(gettext("{option} is needed", option=option) for option in missing))
    return given | {name: default for name, (_, default) in wanted.items() if default is not None}


def _is_right_there(number: str | None, given: Mapping[str, str]) -> bool:
    """Say whether a number calls for help where the practice is, as far as that is said."""
    region = given.get("region", _QUESTIONS["region"][1] or "")
    return number is not None and calls_for_help(number, country_of(given.get("zone", ""), region.upper()))


def _write_and_prepare(path: Path, answers: Mapping[str, str], build: Callable[[Path], App], *, demo: bool) -> _Done:
    _check(answers, demo=demo)
    text = configuration_text(answers, demo=demo)
    # The file gets its name only once the database is there: a failure leaves nothing that looks finished.
    draft = path.with_name(path.name + ".new")
    _write_private(draft, text)
    try:
        done = _prepare_database(draft, build, wrote_config=True)
        if path.exists():
            path.replace(path.with_name(path.name + ".old"))
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
    return _Done(**{**vars(done), "config": path})


def _sound(name: str, answer: str) -> str:
    """Return an answer by itself; raises InputError that says what is wrong with it."""
    if faults := [said for about, said in _faults({name: answer.strip()}, demo=False) if about == name]:
        raise InputError(*faults)
    return answer.strip()


def _check(answers: Mapping[str, str], *, demo: bool) -> None:
    """Raise InputError that names the option of every faulty answer."""
    if faults := _faults(answers, demo=demo):
        raise InputError(*(f"--{name.replace('_', '-')}: {said}" for name, said in faults))
    if "database" in answers:
        parse_url(answers["database"])


def _faults(answers: Mapping[str, str], *, demo: bool) -> list[tuple[str, str]]:
    """Return what is wrong with the answers, each with the name of the setting that it is about."""
    practice = {name: text for name, text in answers.items() if name != "database"}
    if "region" in practice:
        practice["region"] = practice["region"].upper()
    try:
        Config.model_validate({"practice": practice, "demo": demo})
    except ValidationError as error:
        return [_fault(each) for each in error.errors(include_url=False, include_input=False)]
    return []


def _fault(error: ErrorDetails) -> tuple[str, str]:
    name = str(error["loc"][-1])
    message, form = error["msg"].removeprefix("Value error, "), _FORMS.get(name)
    if form is not None and error["type"] != "value_error":
        message = gettext(form)
    return name, message


def _prepare_database(path: Path, build: Callable[[Path], App], *, wrote_config: bool) -> _Done:
    app = build(path)
    url = app.config.database_url
    before = schema_version(url)
    made = make_first_key(app)
    sealed = 0

    def tell(done: int, _total: int) -> None:
        nonlocal sealed
        sealed = done

    try:
        version = migrate(url, app.keyring, tell=tell)
    except ReminderError:
        if made and key_in_use(url) is None:  # nothing is sealed with it
            made.unlink()
        raise
    database = open_database(url, app.keyring)
    try:
        with database.writing() as session:
            put_practice(session, app.config.practice.id, app.config.practice.name, at=app.clock.now())
    finally:
        database.close()
    return _Done(
        config=path,
        wrote_config=wrote_config,
        database=_named(url),
        schema_before=before,
        schema=version,
        made_key_file=made,
        sealed=sealed,
    )


def _named(url: str) -> str:
    """Return a database as people name it: a file by its path."""
    parsed = parse_url(url)
    return str(parsed.database) if parsed.get_backend_name() == "sqlite" else shown(parsed)


def _write_private(path: Path, text: str) -> None:
    """Write a file that only its owner may read: it may come to hold secrets."""
    try:
        path.unlink(missing_ok=True)
        with os.fdopen(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        said = gettext("{folder} can't be written to: {why}", folder=path.parent.resolve(), why=error.strerror)
        raise ConfigError(said) from error


def _show(done: _Done, *, as_json: bool) -> None:
    steps = _next_steps(done)
    if as_json:
        print_json(
            {
                "config": str(done.config),
                "wrote_config": done.wrote_config,
                "database": done.database,
                "schema_before": done.schema_before,
                "schema": done.schema,
                "made_key_file": str(done.made_key_file) if done.made_key_file else None,
                "sealed_rows": done.sealed,
                "next": steps,
            }
        )
        return
    if done.wrote_config:
        line(gettext("Wrote {file}, readable by you only.", file=done.config))
    line(done.database_story)
    if done.made_key_file:
        tell_of_key(done.made_key_file)
    if done.sealed:
        said = marked("Sealed {count} rows that were readable. Backups taken before still are: delete them in time.")
        line(gettext(said, count=done.sealed))
    if not done.wrote_config:
        return
    line()
    line(gettext("Next:"), style="bold")
    for step in steps:
        line(f"  {step}")
    if sys.platform == "win32":
        warn(gettext("Windows: make sure that only the practice may read the folder."))


def _next_steps(done: _Done) -> list[str]:
    program = "reminders" if done.config == DEFAULT_PATH else f"reminders --config {done.config}"
    return [
        f"{program} preview {_LEAD} --end 2026-03-07T15:30",
        f"{program} approve {_LEAD} --by NAME --license NUMBER",
        f"{program} enroll {_LEAD}",
        f"{program} run",
        f"{program} doctor",
    ]
