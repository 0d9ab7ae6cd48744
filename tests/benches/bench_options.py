"""I give every option words nobody means, by hand: python tests/benches/bench_options.py [COMMAND ...].

In one process, through click's runner, a small job of each command is asked for again and again, each time with one
option said as NaN, without end, negative, huge, empty, very long, with a zero byte, a new line or a mark of direction.
Each must end as done, in words, or as wrong use, within ten seconds; anything else is told and fails the bench.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import os
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import click
from click.testing import CliRunner
from small_jobs import JOBS, SmallJob

from stitchbed.cli import COMMANDS, stitchbed
from stitchbed.core.errors import StitchbedError

VALUES = ("nan", "inf", "-inf", "0", "-1", "1e300", "", "x" * 10_000, "a\0b", "a\nb", "\u202eabc")
SECONDS = 10


class Late(Exception):
    """The time is over."""


def late(*_: object) -> None:
    """For the alarm."""
    raise Late


def words_with(job: SmallJob, option: click.Option, value: str) -> list[str]:
    """The job's words with the option said so, instead of what it was said as before."""
    words, said = list(job.words), [name for name in option.opts if name in job.words]
    for name in said:
        while name in words:
            at = words.index(name)
            del words[at : at + 1 + option.nargs]
    return [*words, option.opts[-1], *[value] * option.nargs]


def ended(words: list[str], out: Path) -> tuple[str, float]:
    """How it ended, and after how many seconds."""
    said = [word.replace("OUT", str(out)) if word.startswith("OUT") else word for word in words]
    begun = time.process_time()
    signal.alarm(6 * SECONDS)  # of the clock, which others slow down
    try:
        result = CliRunner().invoke(stitchbed, said, standalone_mode=False)
        error = result.exception
    except Late:
        error = Late()
    finally:
        signal.alarm(0)
    spent = time.process_time() - begun
    if error is None:
        return "done", spent
    if isinstance(error, StitchbedError):
        return "words", spent
    if isinstance(error, click.ClickException):
        return "wrong use", spent
    foreseen = isinstance(error, OSError) or (isinstance(error, ValueError) and "embedded null" in str(error))
    return ("words" if foreseen else f"FAULT {type(error).__name__}: {error}"[:200]), spent  # as `cli.in_words` has it


def main() -> None:
    """Each command named, or all."""
    signal.signal(signal.SIGALRM, late)
    faults, total = [], 0
    for name in sys.argv[1:] or COMMANDS:
        if name not in JOBS:
            print(f"{name}: no small job, left out")
            continue
        ends: Counter[str] = Counter()
        longest = (0.0, "")
        with tempfile.TemporaryDirectory() as folder:
            given, out = Path(folder) / "in", Path(folder) / "out"
            given.mkdir()
            job = JOBS[name](given)
            os.chdir(folder)
            command = stitchbed.get_command(click.Context(stitchbed), name)
            options = [one for one in command.params if isinstance(one, click.Option) and not one.is_flag]
            for option in options:
                for value in VALUES:
                    shutil.rmtree(out, ignore_errors=True)
                    out.mkdir()
                    end, spent = ended(words_with(job, option, value), out)
                    ends[end.partition(" ")[0] if end.startswith("FAULT") else end] += 1
                    total += 1
                    longest = max(longest, (spent, f"{option.opts[-1]} {value[:20]!r}"))
                    if end.startswith("FAULT") or spent > SECONDS:
                        faults.append(f"{name} {option.opts[-1]} {value[:20]!r}: {end} ({spent:.1f} s)")
                        print(faults[-1], flush=True)
            os.chdir("/")
        print(f"{name}: {len(options)} options, {dict(ends)}, longest {longest[0]:.1f} s of {longest[1]}", flush=True)
    print(f"{total} words, {len(faults)} faults")
    raise SystemExit(bool(faults))


if __name__ == "__main__":
    main()
