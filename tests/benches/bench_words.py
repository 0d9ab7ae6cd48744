"""I give every option what nobody should type, by hand: python tests/benches/bench_words.py [COMMAND...].

Each value in turn, in a small job of the command. Every end must be an exit code 0, 1 or 2 in words, without a
traceback, within ten seconds; originals as they were. Prints what was not so, and how the rest ended.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import hashlib
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import click
import small_jobs
from click.testing import CliRunner

from stitchbed.cli import COMMANDS, in_words, stitchbed

VALUES = ("nan", "inf", "-inf", "0", "-1", "1e300", "", "x" * 10_000, "a\0b", "a\nb", "\u202egnp.tif", "9" * 400)
MOST_SECONDS = 10


def options_of(name: str) -> list[click.Option]:
    """Options of a command that take words."""
    command = stitchbed.get_command(click.Context(stitchbed), name)
    assert command is not None
    return [one for one in command.params if isinstance(one, click.Option) and not one.is_flag and not one.is_eager]


def fault_of(words: tuple[str, ...], out: Path) -> tuple[str, str]:
    """("", how it ended), or (what was wrong, how it ended)."""
    begun = time.process_time()
    said = [word.replace("OUT", str(out)) if word.startswith("OUT") else word for word in words]
    result = CliRunner().invoke(stitchbed, said, standalone_mode=False)
    error, took = result.exception, time.process_time() - begun
    end = type(error).__name__ if error is not None else "done"
    usage = isinstance(error, click.ClickException | click.exceptions.Exit)
    foreseen = error is None or usage or "nobody foresaw" not in str(in_words(error))
    if not foreseen:
        return f"{end}: {error}", end
    return (f"{took:.1f} s of work", end) if took > MOST_SECONDS else ("", end)


def main() -> None:
    """All commands, or those named."""
    ends: Counter[str] = Counter()
    wrong = 0
    with tempfile.TemporaryDirectory() as name:
        for command in sys.argv[1:] or list(COMMANDS):
            job = small_jobs.JOBS[command](Path(name) / command / "in")
            before = [hashlib.sha256(path.read_bytes()).digest() for path in job.reads]
            for option in options_of(command):
                for number, value in enumerate(VALUES):
                    out = Path(name) / command / f"{option.name}-{number}"
                    out.mkdir(parents=True)
                    fault, end = fault_of((*job.words, option.opts[-1], *[value] * max(1, option.nargs)), out)
                    ends[end] += 1
                    wrong += bool(fault)
                    if fault:
                        print(f"{command} {option.opts[-1]} {value[:20]!r}: {fault[:200]}", flush=True)
            assert [hashlib.sha256(path.read_bytes()).digest() for path in job.reads] == before
    print(f"{sum(ends.values())} tried: {dict(ends)}; {wrong} ended wrongly")
    raise SystemExit(bool(wrong))


if __name__ == "__main__":
    main()
