"""I put what rectifying found into numbers for the record and sentences for the user.

In: the plane, light, shine, the job. Out: plain values; text.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from stitchbed.photos.compositing.illumination import LightField
from stitchbed.photos.compositing.render import FaceJob
from stitchbed.photos.solving.heights import larger_by_height
from stitchbed.photos.survey.illumination import UNTOLD
from stitchbed.photos.survey.plane_types import Asked, PlaneSurvey

LEAST_TOLD = 5e-5  # share burnt out that is told: rounds to .01 %
LEFT, OF_WHAT = UNTOLD.split("{name}")  # a fact told beside other figures of light, no doubt


def plane_numbers(plane: PlaneSurvey) -> dict[str, Any]:
    """Cards, lens, residuals, uncertainty."""
    lens = plane.fit.lenses[0]
    return {
        "cards": [
            {"photo": number + 1, "card": card.piece, "corners": len(card.card_xy), "share": round(card.share, 3),
             "blur_px": round(card.blur_px, 2), "turn_deg": round(float(np.rad2deg(card.turn)), 1)}
            for number, cards in enumerate(plane.seen) for card in cards
        ],
        "card_rms_px": round(plane.fit.rms_px, 4),
        "points_left_out": plane.fit.dropped,
        "lens": {name: round(getattr(lens, name), 5) for name in ("k1", "k2", "p1", "p2")},
        "sides_measured": sorted({name for sides in plane.sides.values() for name in sides}),
        "own_edges": plane.own_edges,
        "sides_doubtful": plane.ends_doubtful,
        "other_rectangle_mm": None if plane.other_mm is None else [round(mm, 1) for mm in plane.other_mm],
        "uncertainty_mm_95": [round(float(mm), 3) for mm in plane.uncertainty],
        "scale_uncertainty_95": round(plane.scale_95, 6),
    }  # fmt: skip


def too_large(plane: PlaneSurvey, asked: Asked) -> float | None:
    """Mm by which the work's longer side is measured too long for each mm that it lies higher than the cards; None
    where no height matters."""
    if asked.scan or asked.size_mm is not None:
        return None
    share = larger_by_height(plane.fit.views[0], plane.fit.lenses[0], plane.corners)
    return round(share * max(plane.work.width, plane.work.height), 3)


def numbers_of(plane: PlaneSurvey, fields: Sequence[LightField | None], shine: Any, job: FaceJob) -> dict[str, Any]:
    """The record's numbers."""
    lights = [
        None if light is None else {
            "source": light.source, "uneven_before": round(light.uneven, 4), "left": round(2 * light.error, 5),
            "agreeing": round(light.inliers, 3),
        }
        for light in fields
    ]  # fmt: skip
    return {
        "width_mm": round(plane.facing.width, 3), "height_mm": round(plane.facing.height, 3),
        "width_px": job.width, "height_px": job.height, "dpi": job.dpi,
        **plane_numbers(plane),
        "light": lights,
        "burnt_out": round(shine.burnt, 6), "burnt_out_regions_mm": shine.regions,
        "taken_from_other_photos": round(shine.replaced, 5),
        "shown_by": [round(share, 4) for share in shine.shown_by],
        "overlaps": [
            {"photos": [one.a + 1, one.b + 1], "points": one.points, "rms_px": round(one.rms_px, 3)}
            for one in plane.overlaps
        ],
    }  # fmt: skip


def summary(record: Mapping[str, Any], output: Path) -> str:
    """What a person wants to know first."""
    n = record["numbers"]
    lines = [
        f"{output}: {n['width_px']} x {n['height_px']} px, "
        f"{n['width_mm']:.1f} x {n['height_mm']:.1f} mm at {n['dpi']:g} dpi."
    ]
    lines.append(_sure_line(record))
    if n.get("other_rectangle_mm") and not any("--sides" in warning for warning in record["warnings"]):
        width, height = n["other_rectangle_mm"]
        which = "inner" if width < n["width_mm"] else "outer"
        lines.append(f"Another rectangle, {width:.0f} x {height:.0f} mm, is seen too: --sides {which} takes that.")
    lines += [f"Note: {warning}." for warning in record["warnings"] if not warning.startswith(LEFT)]
    if n["shown_by"]:
        parts = ", ".join(f"{100 * share:.0f} %" for share in n["shown_by"])
        worst = max((one["rms_px"] for one in n["overlaps"]), default=0.0)
        lines.append(
            f"Put together from {len(n['shown_by'])} photos ({parts}); their overlaps agree to {worst:.2f} px."
        )
    lines += dict.fromkeys(_light_line(field) for field in n["light"] if field is not None)  # alike lines once
    lines += _left_line(record)
    if n["burnt_out"] > LEAST_TOLD:
        lines.append(_burnt_line(n))
    if n["taken_from_other_photos"] > 0:
        lines.append(
            f"{100 * n['taken_from_other_photos']:.2f} % was taken from another photo that sees it without shine."
        )
    lines += grade_lines(n.get("grade"))
    lines.append(f"Record: {output.with_suffix('.json')}")
    return "\n".join(lines)


def _sure_line(record: Mapping[str, Any]) -> str:
    """How sure the shape is, and what that rests on."""
    n = record["numbers"]
    sized = n["own_edges"] and record["settings"]["asked"]["size_mm"] is not None
    sure, higher = max(n["uncertainty_mm_95"]), n.get("too_large_mm_per_mm")
    scale = f"scale within {100 * n['scale_uncertainty_95']:.2f} %"
    doubtful = n["sides_doubtful"]
    found = "the sides found are its own (see the note)"
    if sized or not n["cards"]:
        true = f"a true rectangle of that size{f' and {found}' if doubtful else ''}"
        return f"If the work is {true}, its corners lie within {sure:.2f} mm (95 %); {scale}."
    what = "the work" if n["own_edges"] else "what is shown"
    line = f"Corners of {what} lie within {sure:.2f} mm (95 %){f', if {found}' if doubtful else ''}; {scale}"
    if not higher:
        return f"{line}."
    if n["raised_mm"]:
        return f"{line}, with its face {n['raised_mm']:g} mm above the cards."
    return (
        f"{line}, if its face lies no higher than the cards. Each mm that it lies higher, as a canvas on its frame "
        f"does, makes it {higher:.1f} mm too large: --raised takes that out."
    )


def _left_line(record: Mapping[str, Any]) -> list[str]:
    """One line of all photos whose light was left as it is."""
    names = [w.removeprefix(LEFT).removesuffix(OF_WHAT) for w in record["warnings"] if w.startswith(LEFT)]
    where = "" if len(record["inputs"]) == 1 else f" in {' and '.join(names)}"
    return [f"Light: left as it is{where}{OF_WHAT}."] if names else []


def _burnt_line(n: Mapping[str, Any]) -> str:
    where = "".join(
        f", most at {box['x']:.0f}, {box['y']:.0f} mm ({box['width']:.0f} x {box['height']:.0f} mm)"
        for box in n["burnt_out_regions_mm"][:1]
    )
    return (
        f"{100 * n['burnt_out']:.2f} % of the work shines or is burnt out{where}: a second photo with the lamps or the "
        "camera elsewhere mends shine, a darker one the rest."
    )


def _light_line(light: Mapping[str, Any]) -> str:
    return (
        f"Light: {100 * light['uneven_before']:.0f} % uneven, evened out by the {light['source']} to "
        f"{100 * light['left']:.1f} %."
    )


def grade_lines(grade: Mapping[str, Any] | None) -> list[str]:
    """The grade as lines, figure by figure; nothing when none was asked for."""
    if not grade or not grade.get("figures"):
        return []
    lines = [f"Grade by {grade['table']} (figures measured on the card only):"]
    for one in grade["figures"]:
        unit = f" {one['unit']}" if one["unit"] else ""
        stars = "*" * one["stars"] if one["stars"] else "below one star"
        lines.append(f"  {one['words']}: {one['value']:.2f}{unit}  {stars}")
    lines.append(f"  Least of these: {grade['stars']} of 4 stars.")
    return lines
