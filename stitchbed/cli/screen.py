"""I write words on a screen no wider than it is, and know whether it obeys control codes.

In: text. Out: the same text; on a terminal, lines broken between words. What goes into a file or a pipe stays as it is.
"""

from __future__ import annotations

import os
import shutil
import sys
import textwrap

import click

NARROWEST = 40  # columns; on less, broken lines are harder to read than those the terminal breaks itself
HANGING = 2  # columns a broken line's rest is set in


def say(text: str, *, err: bool = False) -> None:
    """Write a text to standard output (or error)."""
    stream = sys.stderr if err else sys.stdout
    click.echo(wrapped(text, shutil.get_terminal_size().columns) if stream.isatty() else text, err=err)


def wrapped(text: str, columns: int) -> str:
    """The text with lines of at most `columns`, but for words that are longer; each line keeps its indent."""
    return "\n".join(_broken(line, max(columns, NARROWEST)) for line in text.split("\n"))


def takes_codes() -> bool:
    """Whether control codes may be sent: not to a terminal that is dumb, nor where NO_COLOR asks for plain words.

    Reference: terminfo's "dumb" entry; https://no-color.org, whose readers expect plain text of progress too.
    """
    return not os.environ.get("NO_COLOR") and os.environ.get("TERM", "xterm") not in ("dumb", "unknown", "")


def _broken(line: str, columns: int) -> str:
    if len(line) <= columns:
        return line
    indent = line[: len(line) - len(line.lstrip(" "))]
    rest = indent + " " * HANGING
    return textwrap.fill(
        line[len(indent) :],
        columns,
        initial_indent=indent,
        subsequent_indent=rest,
        break_long_words=False,  # names of files, and options, are to be copied
        break_on_hyphens=False,
    )
