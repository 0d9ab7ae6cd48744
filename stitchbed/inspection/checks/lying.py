"""I judge how the pieces of a set lie: turns, skew, thin and missing overlaps, doubles, gaps.

In: evidence. Out: findings per piece and for the set.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.transforms import moved, turn_of
from stitchbed.inspection.findings import Evidence, Finding, length_words, usual_dpi
from stitchbed.mosaic.linking.link_graph import corners

SKEW_DEG = (
    2.5  # beyond it an eighth of a bed's width is lost to slanted edges; FADGI 2016 asks for 1 degree at four star
)
THIN_SHARE = 0.05  # of the bed's long side: 15 mm on A4, what a lifted edge takes from both sides
SAME_SHARE = 0.9  # of a piece seen by another
SAME_MM = 2.0  # between their sides: laid down once and scanned twice
WORSE = 0.05  # log of the edge ratio: less is within what two scans of one place differ by
LYING = ("alone", "mirrored", "thin overlap")  # faults of how a piece lies, not of what it shows
MOST_NAMED = 6  # pieces; more names tell no more


def lying_findings(evidence: Evidence) -> list[tuple[int, Finding]]:
    """(tile, finding) of how pieces lie against each other."""
    return [found for part in (_turns, _overlaps, _doubles) for found in part(evidence)]


def _turns(evidence: Evidence) -> list[tuple[int, Finding]]:
    """Turned and skewed pieces of the largest island."""
    turns = {name: math.degrees(turn_of(m)) for name, m in evidence.layouts[0].sheet_from_tile.items()}
    if len(turns) < 2:
        return []
    quarters, skews = _quarters(list(turns.values()))
    usual = Counter(quarters).most_common(1)[0][0]
    middle = float(np.median(skews))
    index = {tile.name: number for number, tile in enumerate(evidence.tiles)}
    found = []
    for name, quarter, skew in zip(turns, quarters, skews, strict=True):
        if (quarter - usual) % 4:
            turned = (quarter - usual) % 4 * 90
            why = f"turned by {turned} degrees against most pieces"
            found.append(
                (index[name], Finding("turned", "note", why, "nothing: a join turns it back", {"turn_deg": turned}))
            )
        if abs(skew - middle) > SKEW_DEG:
            why = f"{abs(skew - middle):.1f} degrees askew against the others"
            change = "lay the sheet along the edge of the bed; skew costs overlap and sharpness"
            found.append((index[name], Finding("skewed", "usable", why, change, {"skew_deg": round(skew - middle, 2)})))
    return found


def _quarters(turns: list[float]) -> tuple[list[int], list[float]]:
    """Quarter turns and the rest in degrees, the rest measured round their own middle (so that 44 and -46 agree)."""
    middle = math.degrees(float(np.angle(np.mean(np.exp(4j * np.radians(turns)))))) / 4
    quarters = [round((turn - middle) / 90) % 4 for turn in turns]
    return quarters, [turn - 90 * round((turn - middle) / 90) for turn in turns]


def _overlaps(evidence: Evidence) -> list[tuple[int, Finding]]:
    found = []
    main = evidence.layouts[0].sheet_from_tile
    held = {name for layout in evidence.layouts[1:] if evidence.thin.keys() & layout.sheet_from_tile.keys()
            for name in layout.sheet_from_tile}  # fmt: skip
    for index, tile in enumerate(evidence.tiles):
        if tile.name in evidence.thin:
            other, width = evidence.thin[tile.name]
            found.append((index, _thin(other, length_words(evidence, index, width), width, "redo")))
            continue
        if tile.name in evidence.beside_mirrored:
            found.append((index, _held_by_mirrored(evidence.beside_mirrored[tile.name])))
            continue
        if len(evidence.tiles) > 1 and (tile.name not in main or len(main) == 1):
            if tile.name not in held:
                beside = next((one.sheet_from_tile for one in evidence.layouts if tile.name in one.sheet_from_tile), ())
                others = sorted(set(beside) - {tile.name}) if tile.name not in main else []
                found.append((index, _lone(others, mirrored=tile.name in evidence.mirrored)))
            continue
        thin = _thinnest(evidence, index)
        if thin is not None and thin[1] < THIN_SHARE * max(evidence.looks[index].shape):
            found.append((index, _thin(thin[0], length_words(evidence, index, thin[1]), thin[1], "usable")))
    return found


def _few(names: Sequence[str]) -> str:
    return ", ".join(names[:MOST_NAMED]) + (f" and {len(names) - MOST_NAMED} more" * (len(names) > MOST_NAMED))


def _thin(other: str, width: str, px: float, level: str) -> Finding:
    change = "scan again with at least 25 mm shared; the outer centimeter may be lifted"
    return Finding("thin overlap", level, f"shares only {width} with {other}", change, {"overlap_px": round(px)})


def _lone(others: Sequence[str], *, mirrored: bool) -> Finding:
    """Of a piece outside the largest group. others : those that hang together with it."""
    if mirrored:
        why = "left and right are exchanged: its mirror image fits the other pieces"
        return Finding("mirrored", "redo", why, "switch mirroring off in the driver and scan it again")
    why = "no other piece shows a part of the same drawing"
    if others:
        why = f"only {_few(others)} show{'s' * (len(others) == 1)} a part of the same drawing, the other pieces do not"
    change = "scan it again with a fifth of its width shared, or add the piece that is missing between"
    return Finding("alone", "redo", why, change)


def spoils(finding: Finding) -> bool:
    """True of what may keep a good piece beside it from being linked."""
    return finding.level == "redo" and finding.fault not in LYING


def left_alone(finding: Finding, spoiled: Sequence[str]) -> Finding:
    """The same of a good piece, where others are to be scanned again anyway, which may be why it is alone."""
    why = f"{finding.why}; what is wrong with {_few(spoiled)} may be why"
    return replace(finding, level="note", why=why, change="scan these again first, then look at this one once more")


def _held_by_mirrored(other: str) -> Finding:
    why = f"only {other}, which is mirrored, shows a part of the same drawing"
    return Finding("beside mirrored", "note", why, f"nothing: once {other} is put right, this one is joined")


def _thinnest(evidence: Evidence, index: int) -> tuple[str, float] | None:
    """(the neighbor, px of its width) of the narrowest overlap with a piece beside, above or below that no third piece
    bridges; from where the pieces lie, as the narrowest overlaps may give no link.
    """
    boxes = _upright_boxes(evidence)
    name = evidence.tiles[index].name
    scale = float(np.sqrt(np.abs(np.linalg.det(evidence.layouts[0].sheet_from_tile[name][:2, :2]))))
    found = []
    for other in boxes:
        shared = _shared_side(boxes[name], boxes[other]) if other != name else None
        if shared is not None and not any(
            _bridges(boxes[third], shared[1]) for third in boxes if third not in (name, other)
        ):
            found.append((other, shared[0] / scale))
    return min(found, key=lambda one: one[1], default=None)


def _shared_side(a: Array, b: Array) -> tuple[float, Array] | None:
    """(width, rectangle (2, 2)) that two upright boxes (low, high corners) share as neighbors side by side; None for
    pieces that lie at a corner, on each other or apart.
    """
    low, high = np.maximum(a[0], b[0]), np.minimum(a[1], b[1])
    sides = high - low
    if (sides <= 0).any():
        return None
    smaller = np.minimum(a[1] - a[0], b[1] - b[0])
    shares = sides / smaller
    across = int(shares.argmin())
    if shares[1 - across] < 0.5 or shares[across] > 0.5:
        return None
    return float(sides[across]), np.array([low, high])


def _bridges(box: Array, shared: Array) -> bool:
    """True when a box covers a shared rectangle and as much more on both its narrow sides."""
    across = int((shared[1] - shared[0]).argmin())
    width = shared[1, across] - shared[0, across]
    middle = (shared[0, 1 - across] + shared[1, 1 - across]) / 2
    inside = box[0, 1 - across] < middle < box[1, 1 - across]
    return bool(inside and box[0, across] < shared[0, across] - width and box[1, across] > shared[1, across] + width)


def _upright_boxes(evidence: Evidence) -> dict[str, Array]:
    """Piece -> (2, 2) low and high corner of where it lies, the set turned upright, px of the sheet frame."""
    return {name: np.array(span([quad])) for name, quad in upright_quads(evidence).items()}


def upright_quads(evidence: Evidence) -> dict[str, Array]:
    """Piece -> (4, 2) corners of where it lies, the set turned upright, px of the sheet frame."""
    layout, sizes = evidence.layouts[0], sizes_of(evidence)
    turns = [math.degrees(turn_of(m)) for m in layout.sheet_from_tile.values()]
    upright = -math.radians(float(np.median(_quarters(turns)[1])))
    turn = np.array([[math.cos(upright), -math.sin(upright)], [math.sin(upright), math.cos(upright)]])
    return {name: moved(motion, corners(sizes[name])) @ turn.T for name, motion in layout.sheet_from_tile.items()}


def span(quads: list[Array]) -> tuple[Array, Array]:
    """Corners of the rectangle the pieces span, each laid straight first: a skewed corner is not the sheet's corner."""
    ends = []
    for quad in quads:
        across, down = quad[1] - quad[0], quad[3] - quad[0]
        lying = abs(across[0]) >= abs(across[1])
        width, height = (float(np.hypot(*side)) for side in ((across, down) if lying else (down, across)))
        half = np.array([width, height]) / 2
        ends.append((quad.mean(0) - half, quad.mean(0) + half))
    return np.min([end[0] for end in ends], axis=0), np.max([end[1] for end in ends], axis=0)


def sizes_of(evidence: Evidence) -> dict[str, tuple[int, int]]:
    return {tile.name: (tile.raster.shape[0], tile.raster.shape[1]) for tile in evidence.tiles}


def _doubles(evidence: Evidence) -> list[tuple[int, Finding]]:
    """Pieces laid on the same place twice; shifted ones help the join, and of equally good ones none is at fault."""
    found = []
    for item in evidence.comparisons:
        if item.shared <= SAME_SHARE or _shift(evidence, item.a, item.b) > SAME_MM:
            continue
        names = evidence.tiles[item.a].name, evidence.tiles[item.b].name
        sharper = evidence.sharper.get((item.a, item.b), -evidence.sharper.get((item.b, item.a), 0.0))
        alike = abs(sharper) < WORSE
        worse, other = (item.b, names[0]) if alike or sharper > 0 else (item.a, names[1])
        why = f"shows the same part of the sheet as {other}, " + ("as well as that" if alike else "and is less sharp")
        numbers = {"shared": round(min(1.0, item.shared), 3), "sharper_log": round(abs(sharper), 3)}
        level, change = ("note", "nothing: one of them is enough") if alike else ("usable", "leave it out")
        found.append((worse, Finding("duplicate", level, why, change, numbers)))
    return found


def _shift(evidence: Evidence, a: int, b: int) -> float:
    """How far (mm; px without dpi) the sides of two pieces lie from each other; inf where one has no place."""
    boxes = _upright_boxes(evidence)
    names = evidence.tiles[a].name, evidence.tiles[b].name
    if not set(names) <= boxes.keys():
        return math.inf
    dpi = usual_dpi(evidence.tiles)
    return float(np.abs(boxes[names[0]] - boxes[names[1]]).max()) * (MM_PER_INCH / dpi if dpi else 1.0)
