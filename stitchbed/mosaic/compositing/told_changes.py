"""I say what changed between scans, and where light could not be brought together.

In: `Disagreements`. Out: rows for the record, and a line for each kind of finding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.mosaic.compositing.disagreement import Disagreements
from stitchbed.mosaic.registration.canvas import Canvas
from stitchbed.mosaic.registration.placement import Placement

NAMED = 6  # places named in a line


@dataclass(frozen=True)
class ChangedPlace:
    """A `Change` as it is told: middle x, y canvas px, size mm, names of the pieces; see `Change` for the rest."""

    x: float
    y: float
    width_mm: float
    height_mm: float
    a: str
    b: str
    shown: str
    mark: bool
    whole: bool
    rim: bool


def changed_places(found: Disagreements, places: Sequence[Placement], canvas: Canvas) -> list[ChangedPlace]:
    """The changes as they are told, the largest first."""
    px = found.cell
    mm = px / canvas.dpi * MM_PER_INCH
    told = [
        ChangedPlace(
            round((c.box.col + c.box.width / 2) * px, 1), round((c.box.row + c.box.height / 2) * px, 1),
            round(c.box.width * mm, 1), round(c.box.height * mm, 1),
            places[c.a].tile, places[c.b].tile, places[c.shown].tile, c.mark, c.whole, c.rim,
        )
        for c in found.changes
    ]  # fmt: skip
    return sorted(told, key=lambda place: (-place.width_mm * place.height_mm, place.y, place.x))


def change_words(told: Sequence[ChangedPlace], canvas: Canvas) -> list[str]:
    """A line about marks that were left out, one about things that moved, one about those that had to be cut."""
    marks, cut = [p for p in told if p.mark], [p for p in told if not p.whole]
    moved = [p for p in told if p.whole and not p.mark and not p.rim]
    words = []
    if marks:
        words.append(
            f"{_counted(marks, 'mark')} left out as dirt, where other pieces are blank: {_at(marks, canvas)}. What is "
            "drawn there was drawn between the scans, or the pieces show two sheets"
        )
    if moved:
        words.append(
            f"{_counted(moved, 'place')} where pieces show different things, as when something moved between scans, "
            f"taken whole from one piece: {_at(moved, canvas)}. Look at them"
        )
    if cut:
        words.append(
            f"{_counted(cut, 'place')} where pieces show different things and no piece shows all of it, so that a cut "
            f"is left: {_at(cut, canvas)}. Scan these again in one piece, with nothing moved"
        )
    return words


def step_words(found: Disagreements, places: Sequence[Placement], canvas: Canvas) -> list[str]:
    """A line about pieces whose light could not be brought together."""
    mm = found.cell / canvas.dpi * MM_PER_INCH
    worst = sorted(found.steps, key=lambda one: -one.step)
    listed = [
        f"{places[s.a].tile} and {places[s.b].tile} by {100 * np.expm1(s.step):.0f} % near "
        f"{(s.box.col + s.box.width / 2) * mm:.0f}, {(s.box.row + s.box.height / 2) * mm:.0f} mm"
        for s in worst[:NAMED]
    ]
    words = f"pieces still differ in light where they meet: {'; '.join(listed)}. Scan them again with the same exposure"
    return [words] if worst else []


def _counted(places: Sequence[ChangedPlace], word: str) -> str:
    return f"{len(places)} {word}{'s' if len(places) != 1 else ''}"


def _at(places: Sequence[ChangedPlace], canvas: Canvas) -> str:
    """Where the largest ones are, mm from the canvas's left and top."""
    mm = MM_PER_INCH / canvas.dpi
    shown = [f"{p.x * mm:.0f}, {p.y * mm:.0f} mm ({p.shown})" for p in places[:NAMED]]
    return "; ".join(shown) + (f" and {len(places) - NAMED} more" if len(places) > NAMED else "")
