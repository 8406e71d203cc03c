"""The commands. Each is loaded when it is called, so that `--help` answers at once."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Mapping
from types import MappingProxyType

import click

from reminders.errors import ConfigError, InputError, PlanError, ReminderError

COMMANDS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "init": ("reminders.cli.setting_up", "Write a configuration and create the database."),
        "preview": ("reminders.cli.preview", "Show what a plan would send, and why then."),
    }
)
"""Each command's module and the line that `--help` shows, kept here so that help imports no command."""


class _LazyGroup(click.Group):
    """A group whose commands are imported when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  the signature is click's
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(COMMANDS[cmd_name][0])
        command: click.Command = getattr(module, cmd_name.replace("-", "_"))
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


@click.group(
    cls=_LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Exit codes: 0 done, 1 it fell short, 2 the input or the configuration is at fault.",
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
    r"""Send timed aftercare messages for a small practice and see who answers with a concern.

    Not a medical device and not an emergency line. A licensed clinician approves every text before it is sent.

    \b
    Start here:
      reminders preview partial-nail-avulsion-chemical --end 2026-03-07T15:30 --zone America/Chicago
      reminders init
    """
    ctx.obj = config_path


def main() -> None:
    """Run the command line; errors are told on stderr, with what to do."""
    try:
        status = commands.main(standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("stopped", err=True)
        sys.exit(1)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except ReminderError as error:
        click.echo("reminders: " + str(error).replace("\n", "\n  "), err=True)
        sys.exit(2 if isinstance(error, InputError | ConfigError | PlanError) else 1)
    except BrokenPipeError:
        # the reader (head, less) went away: nothing is wrong, and nothing can be said any more
        sys.stderr.close()
        sys.exit(0)
    sys.exit(status if isinstance(status, int) else 0)
