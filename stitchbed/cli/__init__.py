"""I turn words typed in a shell into one call of a story, and errors into exit codes.

In: `stitchbed COMMAND ...`. Out: exit 0 done, 1 the job cannot be done, 2 wrong usage, 130 stopped by Ctrl-C, 143
ended by the system; never a traceback.
"""

from __future__ import annotations

import gc
import importlib
import os
import signal
import sys
from contextlib import suppress
from difflib import get_close_matches
from types import FrameType
from typing import NoReturn

import click

from stitchbed.cli.screen import say
from stitchbed.core.errors import in_words
from stitchbed.core.memory import one_heap
from stitchbed.core.record import VERSION

# Command -> what it does, in the order of a job. The file of the same name in `commands/` holds the command.
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
    "desk": "The whole job in a page of your browser.",
    "guide": "Short pages on how to work.",
}
OF_DESK = ("desk", "guide")  # of the commands, those whose files are in the folder of that name


class Commands(click.Group):
    """Loads a command's file only when it is asked for, so that `--help` and small commands start at once."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """In the order of a job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command's own click object."""
        if cmd_name not in COMMANDS:
            return None
        home = "desk" if cmd_name in OF_DESK else "commands"
        command: click.Command = importlib.import_module(f"stitchbed.cli.{home}.{cmd_name}").command
        gc.enable()  # put off while all that a command needs was loaded; see `__main__`
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command meant; a slip of the keys is told with the nearest name."""
        near = get_close_matches(args[0], COMMANDS, n=1, cutoff=0.5)
        if near and args[0] not in COMMANDS:
            ctx.fail(f"No such command {args[0]!r}. Did you mean {near[0]!r}?")
        return super().resolve_command(ctx, args)

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
    with suppress(ValueError):  # not in the first thread: whoever runs it there ends it in another way
        signal.signal(signal.SIGTERM, _terminated)
    try:
        stitchbed.main(standalone_mode=False)
        sys.stdout.flush()
    except click.exceptions.Abort as stop:
        # click takes the end of a file for the end of what is typed
        _end(130, "Stopped.") if not isinstance(stop.__cause__, EOFError) else _end(1, str(in_words(stop.__cause__)))
    except click.exceptions.Exit as end:
        _end(end.exit_code, "")
    except click.ClickException as error:
        with suppress(OSError):
            error.show()
        _end(error.exit_code, "")
    except BrokenPipeError:  # whoever read the answer has gone
        _end(1, "")
    except Exception as error:
        _end(1, str(in_words(error)))


def _end(code: int, words: str) -> NoReturn:
    """Say the words where that can be done, and end; what cannot be written any more is let go of."""
    with suppress(OSError, ValueError):
        if words:
            say(words, err=True)
    try:
        sys.stdout.flush()
    except (OSError, ValueError):  # the interpreter would complain of it once more as it ends
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    sys.exit(code)


def _terminated(number: int, frame: FrameType | None) -> None:
    """Asked to end by the system: as Ctrl-C, with a code of its own."""
    raise SystemExit(128 + number)
