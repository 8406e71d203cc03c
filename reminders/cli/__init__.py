"""The commands. Each is loaded when it is called, so that `--help` answers at once."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Mapping, Sequence
from functools import partial
from types import MappingProxyType
from typing import Any, NoReturn

import click

from reminders import words
from reminders.cli.crashes import leave_no_words
from reminders.cli.faults import told
from reminders.cli.help_words import SpokenContext, spoken
from reminders.cli.log_lines import log_to_stderr

COMMANDS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "init": ("reminders.cli.setting_up", "Write a configuration and create or update the database."),
        "doctor": ("reminders.cli.doctor", "Find what is wrong with the installation, and say what to do."),
        "procedures": ("reminders.cli.procedures", "List the procedures, their languages and approvals."),
        "new-procedure": ("reminders.cli.new_procedure", "Begin the folder of a procedure of your own."),
        "preview": ("reminders.cli.preview", "Show what a plan would send, and why then."),
        "check": ("reminders.cli.check", "Prove that plans hold for every patient, or show where not."),
        "approve": ("reminders.cli.approving", "Record a clinician's approval of a plan as it is now."),
        "approvals": ("reminders.cli.approving", "List who approved which plan, and when."),
        "enroll": ("reminders.cli.enrolling", "Enroll a patient at checkout, or many from a CSV file."),
        "patients": ("reminders.cli.finding", "Find patients by name, number or address."),
        "enrollments": ("reminders.cli.finding", "Find courses by their patient."),
        "messages": ("reminders.cli.messages", "Show the messages of a course, or those that are due."),
        "replan": ("reminders.cli.changing", "Change a course's facts: first the difference, then the change."),
        "pause": ("reminders.cli.steering", "Send nothing of a course until it is resumed."),
        "resume": ("reminders.cli.steering", "Let a paused course go on, planned anew from now."),
        "end": ("reminders.cli.steering", "End a course before its last day."),
        "extend": ("reminders.cli.steering", "Let soaks and ointment go on for longer."),
        "cancel": ("reminders.cli.changing", "End a course; what still waits is not sent."),
        "consent": ("reminders.cli.consenting", "Show, record or withdraw a patient's consent."),
        "backup": ("reminders.cli.backing_up", "Copy the database to a file while it is in use."),
        "restore": ("reminders.cli.backing_up", "Put such a copy back, and settle what it can't know."),
        "keys": ("reminders.cli.keys", "Make, list and rotate the keys that seal patients' data."),
        "partition": ("reminders.cli.partitioning", "Part the messages of a large database by practice."),
        "run": ("reminders.cli.running", "Send what is due, until it is stopped."),
        "serve": ("reminders.cli.serving", "Serve the pages of staff, and send what is due."),
        "reply": ("reminders.cli.replying", "Take in what a patient wrote, and answer it."),
        "triage": ("reminders.cli.triaging", "Read a reply without storing anything."),
        "concerns": ("reminders.cli.concerns", "Show and work off what a person must deal with."),
        "move": ("reminders.cli.moving", "Move everything from SQLite to PostgreSQL, compared row by row."),
        "waiting": ("reminders.cli.waiting", "List patients whom other systems told of; take files in, dismiss."),
        "settings": ("reminders.cli.settings", "Show where settings come from, and put earlier ones back."),
        "api-keys": ("reminders.cli.api_keys", "Give other programs keys, and take them back."),
        "digest": ("reminders.cli.digest", "Show who is where in their course, who is silent, what is open."),
        "purge": ("reminders.cli.keeping", "Delete what was kept long enough, or show what would go."),
        "hold": ("reminders.cli.keeping", "List, place and remove legal holds."),
        "erase": ("reminders.cli.keeping", "Erase one patient, where the law allows it."),
        "export": ("reminders.cli.keeping", "Write everything about one patient, for their own copy."),
        "audit": ("reminders.cli.audit", "Show who did and looked at what, and prove that nobody altered it."),
        "forecast": ("reminders.cli.forecast", "Show the load of the next days against the pace, and its cost."),
        "sheet": ("reminders.cli.sheet", "Print the sheet that the patient of a course takes home."),
        "record": ("reminders.cli.record", "Print the chart record of a course."),
    }
)
"""Each command's module and the line that `--help` shows, kept here so that help imports no command."""


class _LazyGroup(click.Group):
    """A group whose commands are imported when they are called."""

    context_class = SpokenContext

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  the signature is click's
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002  the signature is Click's
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(COMMANDS[cmd_name][0])
        command: click.Command = getattr(module, cmd_name.replace("-", "_"))
        return spoken(command)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002  the signature is Click's
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,  # noqa: ARG002  errors are told here, and so never by click
        **extra: Any,
    ) -> NoReturn:
        """Run a command and leave with its exit status; errors are told on stderr, with what to do."""
        words.speak(words.of_environment())
        run = partial(super().main, args, prog_name, complete_var, standalone_mode=False, **extra)
        sys.exit(told(run))


@click.group(
    cls=_LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="""\b
Exit codes: 0 done, 1 it fell short, 2 the input or the configuration is at fault.
\b
Completion of commands and options with the Tab key; put the line of your shell where it starts:
  bash  eval "$(_REMINDERS_COMPLETE=bash_source reminders)"                in ~/.bashrc
  zsh   eval "$(_REMINDERS_COMPLETE=zsh_source reminders)"                 in ~/.zshrc
  fish  _REMINDERS_COMPLETE=fish_source reminders | source                 in config.fish
""",
)
@click.version_option(package_name="reminders")
@click.option(
    "--config",
    "config_path",
    type=click.Path(dir_okay=False, path_type=str),
    help="The configuration file; else $REMINDERS_CONFIG, else config.toml here.",
)
@click.pass_context
def commands(ctx: click.Context, config_path: str | None) -> None:
    """Send timed aftercare messages for a small practice and see who answers with a concern.

    Not a medical device and not an emergency line. A licensed clinician approves every text before it is sent.

    \b
    Start here:
      reminders preview partial-nail-avulsion-chemical --end 2026-03-07T15:30 --zone America/Chicago
      reminders init
    """  # noqa: D301  click wants the character itself
    ctx.meta["config"] = config_path


def main() -> NoReturn:
    """Run the command line in a process of its own."""
    leave_no_words()
    log_to_stderr()
    commands.main(prog_name="reminders")
