"""I am every way a job can fail, in words a user can act on.

In: what was found, what was expected, what to try. Out: an exception whose text says all three.
"""

from __future__ import annotations

import traceback
from collections.abc import Sequence
from pathlib import Path


class StitchbedError(Exception):
    """A job that cannot go on.

    Parameters
    ----------
    found, expected, attempt : plain sentences without a final period; they end up in front of a user,
        so they name files and numbers, not types and indices. `attempt` says what to try.
    """

    def __init__(self, found: str, *, expected: str, attempt: str) -> None:
        said = (found, expected, attempt)  # each on one line: a name must not look like a line of ours
        self.found, self.expected, self.attempt = (printable(text).replace("\n", "\\n") for text in said)
        super().__init__(f"Found: {self.found}.\nExpected: {self.expected}.\nTry: {self.attempt}.")

    def advise(self, attempt: str) -> None:
        """Say something else to try; what stands below it stays."""
        self.args = (str(self).replace(f"Try: {self.attempt}.", f"Try: {attempt}.", 1),)
        self.attempt = attempt

    def besides(self, seen: Sequence[str]) -> None:
        """Tell what else was seen, which may be the reason, a line each below what stands."""
        self.args = ("\n".join([str(self), *(f"Seen besides: {printable(line)}." for line in seen)]),)


class UnreadableTile(StitchbedError):
    """A file could not be read as a picture."""


class MixedTiles(StitchbedError):
    """Pieces that cannot go into one master as they are (profiles, kinds)."""


class Disconnected(StitchbedError):
    """Pieces that do not hang together, or one that could not be placed. lines : hints for a job file that would mend
    it, filled in as far as known; they stand in the text too."""

    def __init__(self, found: str, *, expected: str, attempt: str, lines: tuple[str, ...] = ()) -> None:
        self.lines = tuple(printable(line) for line in lines)
        if lines:
            attempt += "; or say how they lie, in the job file or as options (--same-point, --beside), with X and Y"
            attempt += " filled in as below"
        super().__init__(found, expected=expected, attempt=attempt)
        if lines:
            self.args = ("\n".join([str(self), "  [join.hints]", *(f"  {line}" for line in self.lines)]),)


class CardNotFound(StitchbedError):
    """No reference card, or not enough of it, was found in a picture."""


class CanvasTooLarge(StitchbedError):
    """The result would not fit the format, the disk or the limits set."""


class WouldTouchOriginal(StitchbedError):
    """An output path that is, or lies over, an original."""


class CannotWrite(StitchbedError):
    """An output could not be written; nothing is left under its final name."""


class BadSettings(StitchbedError):
    """A setting or a job file that nobody understands."""


class WorksFailed(StitchbedError):
    """Some works of a batch failed; the others are done."""


def printable(text: str) -> str:
    """The text with control characters, marks of direction and bytes that are no text escaped: names of files hold
    whatever their makers liked, and a terminal obeys some of it.
    """
    return "".join(
        char if char.isprintable() or char == "\n" else char.encode("unicode_escape", "backslashreplace").decode()
        for char in text
    )


class Cancelled(StitchbedError):
    """The job was ended from outside; nothing stands under the names of its outputs that was not whole before."""

    def __init__(self, step: str) -> None:
        super().__init__(f"the job was ended while {step}", expected="to go on to the end", attempt="the same again")


def in_words(error: BaseException) -> StitchbedError:
    """Whatever ended a job, as found, expected, try; what nobody foresaw with its place, for whoever mends it."""
    if isinstance(error, StitchbedError):
        return error
    if isinstance(error, MemoryError):
        return StitchbedError(
            "the system gave no more memory",
            expected="room for what --memory allows and 300 MiB besides",
            attempt="less --memory, fewer --workers, or closing other programs",
        )
    if isinstance(error, OSError) and error.strerror:
        return StitchbedError(
            f"{error.strerror.lower()}" + (f": {error.filename}" if error.filename else ""),
            expected="files and folders that are there and can be read and written",
            attempt="whether they and the folder you are in still exist, then the same command again",
        )
    if isinstance(error, ValueError) and "embedded null" in str(error):  # what the system's calls say of such a name
        return StitchbedError(
            "a file's name with a zero byte in it", expected="a name that files can have", attempt="another name"
        )
    place = traceback.extract_tb(error.__traceback__)[-1]
    return StitchbedError(
        f"an error nobody foresaw ({type(error).__name__}: {error}; {Path(place.filename).name}, line {place.lineno})",
        expected="a job that can be done, or a reason why not",
        attempt="the same command once more; if it fails again, report these three lines and the command",
    )
