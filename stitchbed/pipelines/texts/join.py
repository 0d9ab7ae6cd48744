"""I put a join into words.

In: its record, where it was written. Out: what a person wants to know first.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from stitchbed.core.quantities import MM_PER_INCH, two_digits
from stitchbed.mosaic.hints.effects import row_words

AXES_SHARE = 0.7  # where axes that were held make up more than the rest, it is told what would show them
SEEN = 0.5  # share of the expected travel error the overlaps must show; else it is told


def summary(record: Mapping[str, Any], output: Path) -> str:
    """What a person wants to know first."""
    canvas = record["canvas"]
    if record.get("layout_only"):
        return layout_summary(record, output)
    mm = [canvas[side] / canvas["dpi"] * MM_PER_INCH for side in ("width", "height")]
    lines = [
        f"{output}: {canvas['width']} x {canvas['height']} px, {mm[0]:.0f} x {mm[1]:.0f} mm at "
        f"{canvas['dpi']:.0f} dpi, from {len(record['placements'])} of {len(record['inputs'])} pieces.",
        *accuracy(record),
        *hints_told(record),
        *[f"Note: {warning}." for warning in record["warnings"]],
        f"Record: {output.with_suffix('.json')}",
    ]
    return "\n".join(lines)


def layout_summary(record: Mapping[str, Any], output: Path) -> str:
    """What a person wants to know of a layout."""
    canvas, islands = record["canvas"], record["islands"]
    mm = [canvas[side] / canvas["dpi"] * MM_PER_INCH for side in ("width", "height")]
    groups = "in one group" if len(islands) == 1 else f"in {len(islands)} groups that do not hang together"
    count, dpi = len(record["placements"]), canvas["dpi"]
    lines = [
        f"{count} pieces laid out {groups}, {mm[0]:.0f} x {mm[1]:.0f} mm at {dpi:.0f} dpi.",
        *hints_told(record),
        *[f"Note: {warning}." for warning in record["warnings"]],
        f"Picture: {output.with_name(record['pictures']['layout'])}",
        f"Record: {output.with_name(f'{output.stem}.layout.json')}",
        "What was looked at is kept beside it: a join with the same output takes it up.",
    ]
    return "\n".join(lines)


def hints_told(record: Mapping[str, Any]) -> list[str]:
    """A line for each hint that is not told as a warning already."""
    return [f"Hint: {row_words(row)}." for row in record.get("hints", ()) if not row["against"]]


def accuracy(record: Mapping[str, Any]) -> list[str]:
    """How far the canvas is to be trusted: the agreement of neighbors, and the estimated error of the whole."""
    told = record.get("accuracy", {})
    if told.get("error_px") is None:
        return []
    lines = [f"Neighbors agree to {told['rms_px']:.2f} px."] if told["rms_px"] is not None else []
    error, known = told["error_px"], told["error_px_axes_known"]
    mm = two_digits(told["error_mm"])
    if known < AXES_SHARE * error:
        apart = two_digits(known * told["error_mm"] / error)
        lines += [
            f"True to {two_digits(known)} px ({apart} mm) at 95 % of its places, by estimate, as far as the scanner "
            "itself is.",
            "How far its length is off against its width, and its axes off the right angle, shows in no pieces that "
            f"all lie the same way: with that, as any scan of it has it, true to {two_digits(error)} px ({mm} mm). "
            "One piece turned by a quarter shows it.",
        ]
    else:
        lines.append(f"True to {two_digits(error)} px ({mm} mm) at 95 % of its places, by estimate.")
    if told.get("placed_surely") is False:
        lines.append(
            "That holds only if no piece lies wrongly: some show different things where they lie on each other, or fit "
            "elsewhere as well, as the warnings say."
        )
    if told["travel_seen"] < SEEN:
        lines.append(
            "A wave or a step of the scanner's travel hardly shows in these overlaps. One piece more, shifted along "
            "the travel by 20 mm or turned by half a turn, would show it."
        )
    return lines
