"""I am the line of stops of a job: which steps each stands for, and how each stands.

In: how the steps stand, what runs, what failed. Out: a state for each stop, in a word and in a sentence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

NOT_BEGUN, AT_WORK, DONE, LOOK = "not begun", "being worked on", "done", "needs a look"


@dataclass(frozen=True)
class Stop:
    """name : in addresses. title : in the line. steps : of a job file, in their order. about : what happens here."""

    name: str
    title: str
    steps: tuple[str, ...]
    about: str


STOPS = (
    Stop("pieces", "Pieces", (), "Drop scans here or choose their folder; each is looked at as it comes."),
    Stop("placing", "Placing", (), "Where the pieces lie on the sheet, before anything is rendered."),
    Stop("canvas", "Canvas", ("join",), "The pieces become one picture at full resolution."),
    Stop("shape", "Shape and color", ("rectify", "color"), "True millimeters and true color, from a card or a size."),
    Stop("clean", "Clean", ("clean",), "The sheet's edge, paper white, dust, black and white."),
    Stop("lines", "Lines", ("lines",), "The ink alone, lifted off its paper."),
    Stop("flats", "Flats", ("flats",), "Areas of one color under the lines."),
    Stop(
        "copies", "Copies", ("export.layers", "export.print", "export.web", "export.nopaper"),
        "Files for print, for screens, in layers, without paper.",
    ),
)  # fmt: skip
# of a job of single pages: nothing is laid out or joined
SINGLE_STOPS = (
    replace(STOPS[0], title="Pages", about="Drop scans here or choose their folder; each is a page of its own."),
    *STOPS[3:],
)
BY_NAME = {stop.name: stop for stop in STOPS}


@dataclass(frozen=True)
class Standing:
    """state : one of the four. words : a sentence. share : 0..1 of what is being worked on. stale : an old result."""

    stop: Stop
    state: str
    words: str
    share: float | None = None
    stale: bool = False


def of_steps(stop: Stop, rows: Sequence[Mapping[str, Any]]) -> Standing:
    """How a stop of steps stands. rows : of those of its steps that the job has, as `jobs.run.standing` tells."""
    if not rows:
        return Standing(stop, NOT_BEGUN, "Not part of this job so far.")
    warnings = [words for row in rows for words in row["warnings"]]
    waiting = [row["step"] for row in rows if row["state"] in ("not begun", "changed")]
    stale = any(row["state"] == "changed" for row in rows)
    if stale:
        words = "Something changed since it was made; the old result is shown until it is made anew."
        return Standing(stop, NOT_BEGUN, words, stale=True)
    if waiting:
        return Standing(stop, NOT_BEGUN, "Waits to be done.")
    if warnings:
        count = len(warnings)
        return Standing(stop, LOOK, f"Done, with {count} note{'s' if count > 1 else ''} to read.")
    by_hand = any(row["state"].startswith("changed by hand") for row in rows)
    return Standing(stop, DONE, "Retouched by hand since, and kept so." if by_hand else "Of the job as it is now.")


def of_pieces(count: int, record: Mapping[str, Any] | None, fresh: bool) -> Standing:
    """How the pieces stand. record : of the last check. fresh : it is of just these pieces.

    Files that the check left out (unreadable, or the same as another) count as much as those it speaks of.
    """
    stop = BY_NAME["pieces"]
    if not count:
        return Standing(stop, NOT_BEGUN, "No piece yet.")
    if record is None or not fresh:
        return Standing(stop, NOT_BEGUN, f"{count} piece{'s' if count > 1 else ''}, not looked at yet.")
    passed = count - len(record["pieces"])
    if passed:
        return Standing(stop, LOOK, f"{passed} of {count} files {'were' if passed > 1 else 'was'} left out; see why.")
    verdicts = [row["verdict"] for row in record["pieces"]] + [record["set"]["verdict"]]
    again = sum(one == "redo" for one in verdicts)
    if again:
        return Standing(stop, LOOK, f"{again} should be scanned again; see what is said at them.")
    if "usable" in verdicts:
        return Standing(stop, DONE, "All can be used; what is not perfect is said at the pieces.")
    return Standing(stop, DONE, "All are good.")


def of_placing(count: int, record: Mapping[str, Any] | None, fresh: bool, *, since: bool = False) -> Standing:
    """How the placing of so many files stands. since : something was said of them that no placing knows yet."""
    stop = BY_NAME["placing"]
    if record is None or not fresh:
        return Standing(stop, NOT_BEGUN, "The pieces are not placed yet.")
    if since:
        return Standing(stop, NOT_BEGUN, "Something was said since; they are to be placed again.", stale=True)
    alone = record["alone"]
    if alone:
        return Standing(stop, LOOK, f"No place found for {', '.join(alone)}.")
    placed = len(record["placements"])
    if placed < count:
        return Standing(stop, LOOK, f"{placed} of {count} pieces have a place; see at Pieces why the others do not.")
    return Standing(stop, DONE, "Every piece has its place.")
