"""I turn words typed in a shell into one call of a story, and errors into exit codes.

In: `stitchbed COMMAND ...`. Out: exit 0 done, 1 the job cannot be done, 2 wrong usage.
"""

from __future__ import annotations

import importlib
import sys
import traceback
from pathlib import Path

import click

from stitchbed.core.errors import StitchbedError
from stitchbed.core.memory import one_heap
from stitchbed.core.record import VERSION

# Command -> what it does, in the order of a job. The file of the same name in this folder holds the command.
COMMANDS = {
    "plan": "How to cut a sheet into captures.",
    "check": "Look at captures before joining.",
    "join": "Pieces into one canvas: the main job.",
    "card": "Make the printable reference card.",
    "rectify": "True shape and size from cards.",
    "color": "True color from a card.",
    "clean": "Border, dust, paper, tone.",
    "lines": "Ink off the paper.",
    "flats": "Flat regions under the lines.",
    "export": "Copies for print, web, without paper.",
    "compare": "Captures of one sheet at different dpi.",
    "run": "A whole job from one TOML file.",
}


class Commands(click.Group):
    """Loads a command's file only when it is asked for, so that `--help` and small commands start at once."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """In the order of a job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command's own click object."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(f"stitchbed.cli.commands.{cmd_name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The table of commands, without loading any."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=Commands)
@click.version_option(VERSION, prog_name="stitchbed")
def stitchbed() -> None:
    """Join scans or photographs of one artwork into one true master, then make it ready for print and color."""


def main() -> None:
    """Console entry: errors the user can act on go to standard error and exit with 1."""
    one_heap()
    try:
        stitchbed.main(standalone_mode=False)
    except StitchbedError as error:
        click.echo(str(error), err=True)
        sys.exit(1)
    except click.exceptions.Abort as stop:
        if isinstance(stop.__cause__, EOFError):  # which click takes for the end of what is typed
            sys.exit(_unforeseen(stop.__cause__))
        click.echo("Stopped.", err=True)
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except Exception as error:
        sys.exit(_unforeseen(error))


def _unforeseen(error: BaseException) -> int:
    """Say what nobody foresaw in words, with the place for whoever mends it; returns the exit code."""
    place = traceback.extract_tb(error.__traceback__)[-1]
    told = StitchbedError(
        f"an error nobody foresaw ({type(error).__name__}: {error}; {Path(place.filename).name}, line {place.lineno})",
        expected="a job that can be done, or a reason why not",
        attempt="the same command once more; if it fails again, report these three lines and the command",
    )
    click.echo(str(told), err=True)
    return 1
