"""I judge how the scans of a set go together: light, lift, how they lie, what the glass does to all of them alike.

In: evidence. Out: findings per piece and for the set.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Hashable, Sequence
from dataclasses import replace
from itertools import chain

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.memory import late
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.transforms import moved
from stitchbed.inspection.checks.gaps import gap_findings
from stitchbed.inspection.checks.light import compared_parts, gains, suspects
from stitchbed.inspection.checks.lying import lying_findings
from stitchbed.inspection.checks.moved import moved_findings, moved_sheets
from stitchbed.inspection.checks.pairs import misfitting, striped
from stitchbed.inspection.checks.pieces import BLACK_SHARE, WHITE_SHARE, noise_finding
from stitchbed.inspection.findings import Evidence, Finding, believed_dpi, length_words, usual_dpi, usual_profile
from stitchbed.inspection.looks import Look
from stitchbed.inspection.overlaps import EDGE_SHARE, LIFT, Comparison, SideLoss
from stitchbed.inspection.quality import WINDOW
from stitchbed.inspection.smears import Smear

special = late("scipy.special")

EXPOSURE, EXPOSURE_MUCH = 0.10, 0.35  # log of light against the set: a join levels the first, the second costs noise
CAST = 0.06  # log between channels
FACING = 0.45  # of what the other one loses in the same overlap: beside its dark side the rest seems darker as well
# Where two touch at a corner, and share no more of a piece than that, little else tells the light: only the darker one
# is lifted, and by no less than that.
CORNER_SHARED, CORNER_LIFT = 0.1, 0.08
# Share of a side that a broad overlap shows, and of a corner's loss that it shows there at least: else the corner errs.
SIDE_SEEN, SEEN_OF = 0.4, 0.25
SOFT_SIDE = 0.25  # log of the edge ratio of a third of the bed under the whole
# Of Student's t over the places, pieces, places: what is drawn differs from place to place too, and agrees by chance.
SURE, LEAST_PIECES, LEAST_PLACES = 0.999, 4, 3


def set_findings(evidence: Evidence) -> tuple[list[list[Finding]], list[Finding]]:
    """(per tile, for the set)."""
    pieces: list[list[Finding]] = [[] for _ in evidence.tiles]
    for part in (_light, _lifted, lying_findings, _moved):
        for index, finding in part(evidence):
            pieces[index].append(finding)
    whole = [
        *_light_of_either(evidence),
        *gap_findings(evidence),
        *_dust(evidence),
        *_smear(evidence),
        *_soft_side(evidence),
        *_no_profile(evidence),
    ]
    return pieces, whole


def _moved(evidence: Evidence) -> list[tuple[int, Finding]]:
    dpi = believed_dpi(evidence.tiles)
    return moved_findings(moved_sheets(evidence.looks, dpi), dpi)


def _light(evidence: Evidence) -> list[tuple[int, Finding]]:
    unknown = {index for pair in _light_pairs(evidence) for index in pair}
    light, of_cut_off = (gains(len(evidence.tiles), pairs) for pairs in (_truly_lit(evidence), evidence.comparisons))
    for index in _cut_off(evidence):
        light[index] = of_cut_off[index]
    return [found for found in light_findings(light) if found[0] not in unknown]


def _truly_lit(evidence: Evidence) -> list[Comparison]:
    """Pairs that tell how light pieces are: beside what is cut off any other piece seems to have another light."""
    cut = _cut_off(evidence)
    return [item for item in evidence.comparisons if not {item.a, item.b} & cut]


def _cut_off(evidence: Evidence) -> frozenset[int]:
    """Pieces that are cut off at black or at white."""
    looks = enumerate(evidence.looks)
    return frozenset(index for index, look in looks if look.white >= WHITE_SHARE or look.black >= BLACK_SHARE)


def _light_pairs(evidence: Evidence) -> list[list[int]]:
    """Two pieces whose light is known beside each other only: nothing tells which of them is at fault."""
    parts = compared_parts(len(evidence.tiles), _truly_lit(evidence))
    return [part for part in parts if len(part) == 2] if len(evidence.tiles) > 2 else []


def _light_of_either(evidence: Evidence) -> list[Finding]:
    found = []
    for pair in _light_pairs(evidence):
        apart = max((item.log_gain for item in evidence.comparisons if item.log_gain is not None
                     and {item.a, item.b} == set(pair)), key=lambda gain: float(np.abs(gain).max()))  # fmt: skip
        mean, cast = abs(float(apart.mean())), float(apart.max() - apart.min())
        names = " or ".join(evidence.tiles[index].name for index in pair)
        numbers = {"gain": [round(float(value), 4) for value in np.exp(apart)]}
        change = "switch automatic settings off; if a join does not level them, scan both again"
        if mean > EXPOSURE:
            why = f"{names}: one of the two is lighter than the other by {100 * math.expm1(mean):.0f} %"
            found.append(Finding("exposure", "redo" if mean > EXPOSURE_MUCH else "usable", why, change, numbers))
        if cast > CAST:
            why = f"{names}: one of the two has another color of light ({100 * cast:.0f} % between channels)"
            found.append(Finding("color cast", "usable", why, change, numbers))
    return found


def light_findings(light: Array) -> list[tuple[int, Finding]]:
    """(piece, finding) of pieces whose light is another than most pieces'. light : (pieces, 3) log over the others."""
    found = []
    for index, gain in enumerate(light):
        mean, cast = float(gain.mean()), float(gain.max() - gain.min())
        numbers = {"gain": [round(float(value), 4) for value in np.exp(gain)]}
        if abs(mean) > EXPOSURE:
            level = "redo" if abs(mean) > EXPOSURE_MUCH else "usable"
            why = f"{'lighter' if mean > 0 else 'darker'} than the others by {100 * abs(math.expm1(mean)):.0f} %"
            change = "switch automatic exposure off; a join can level this"
            if level == "redo":
                change = "switch automatic exposure off, and scan again: leveled by a join, it shows more noise"
            found.append((index, Finding("exposure", level, why, change, numbers)))
        if cast > CAST:
            why = f"another color of light than the others ({100 * cast:.0f} % between channels)"
            change = "switch automatic color off and let the lamp warm up; a join can level this"
            found.append((index, Finding("color cast", "usable", why, change, numbers)))
    return found


def _lifted(evidence: Evidence) -> list[tuple[int, Finding]]:
    sides: dict[tuple[int, str], SideLoss] = {}
    uneven = suspects(evidence.comparisons)
    odd = uneven | _otherwise_toned(evidence) | misfitting(evidence)
    unfit = odd - (uneven & _dark_along_a_side(evidence.comparisons))
    cut, light = _cut_off(evidence), gains(len(evidence.tiles), evidence.comparisons).mean(1)
    for item in evidence.comparisons:
        apart = 0.0 if item.log_gain is None else float(item.log_gain.mean() - (light[item.a] - light[item.b]))
        worst = {index: max((loss.sure for loss in losses), default=0.0) for index, _, losses in item.each_way}
        least, facing = (CORNER_LIFT, 1.0) if item.shared < CORNER_SHARED else (LIFT, FACING)
        for (index, other, losses), over in zip(item.each_way, (apart, -apart), strict=True):
            # a scan with cut-off ends shows no true light to compare with
            true = other not in cut | odd and index not in unfit
            for loss in losses if true and worst[index] > facing * worst[other] else ():
                # a corner that lies in another piece's lift has that one's light for its own
                left = replace(loss, loss=loss.loss - max(0.0, over), sure=loss.sure - max(0.0, over))
                before = sides.get((index, left.side))
                flat = item.shared < CORNER_SHARED and _seen_flat(evidence, index, left, cut | odd)
                if left.sure > least and not flat and (before is None or left.loss > before.loss):
                    sides[index, left.side] = left
    found = []
    for index, look in enumerate(evidence.looks):
        mine = [loss for (piece, _), loss in sorted(sides.items()) if piece == index]
        if mine:
            widest = max(loss.reach for loss in mine)
            redo = widest > 2 * EDGE_SHARE * max(look.shape) * 0.95
            found.append((index, _lift_finding(mine, length_words(evidence, index, widest), redo=redo)))
    return found


def _seen_flat(evidence: Evidence, index: int, corner: SideLoss, unfit: Collection[int]) -> bool:
    """True where a broad overlap with a fit piece shows next to nothing of what a corner shows of a piece's side."""
    broad = [one for one in evidence.comparisons if one.shared >= CORNER_SHARED]
    sides = [losses for one in broad for own, other, losses in one.each_way if own == index and other not in unfit]
    shown = [loss.loss for loss in chain(*sides) if loss.side == corner.side and loss.length > SIDE_SEEN]
    return any(loss < SEEN_OF * corner.loss for loss in shown)


def _dark_along_a_side(comparisons: Sequence[Comparison]) -> set[int]:
    """Pieces of which several neighbors show one side to be dark, and none another one: what differs there is a lift,
    be it as broad as the overlaps."""
    sides: dict[int, list[str]] = {}
    for item in comparisons:
        for index, _, losses in item.each_way:
            sides.setdefault(index, []).extend(loss.side for loss in losses if loss.sure > LIFT)
    return {index for index, dark in sides.items() if len(dark) > 1 and len(set(dark)) == 1}


def _otherwise_toned(evidence: Evidence) -> set[int]:
    """Pieces whose tones are not the sheet's: striped, of few tones or of other channels than most."""
    channels = [tile.raster.shape[2] for tile in evidence.tiles]
    usual = Counter(channels).most_common(1)[0][0]
    own = {k for k, look in enumerate(evidence.looks) if look.sensed.tones is not None or channels[k] != usual}
    return own | {index for index, _ in striped(evidence)}


def unlike_most(evidence: Evidence) -> frozenset[int]:
    """Pieces that lost tones at an end, between steps or under lines, are noisy, or are of other channels, where most
    are not: a good one beside them shows something that seems to be its own."""
    cut, looks = _cut_off(evidence), evidence.looks
    noise = [look.sure_noise for look in looks]
    marks = [
        (
            k in cut,
            look.sensed.tones is not None,
            bool(look.sensed.streaks),
            tile.raster.shape[2],
            noise_finding(look.sure_noise, noise) is not None,
        )
        for k, (look, tile) in enumerate(zip(looks, evidence.tiles, strict=True))
    ]
    return unusual(marks)


def unusual(marks: Sequence[Hashable]) -> frozenset[int]:
    """Indices of those that have other marks than most have."""
    usual = Counter(marks).most_common(1)[0][0]
    return frozenset(k for k, mark in enumerate(marks) if mark != usual)


def _lift_finding(losses: list[SideLoss], reach: str, *, redo: bool) -> Finding:
    names = [loss.side for loss in losses]
    sides = ", ".join(names[:-1]) + " and " + names[-1] if len(names) > 1 else names[0]
    worst = max(loss.loss for loss in losses)
    why = f"lifted off the glass along the {sides}: up to {100 * worst:.0f} % darker, {reach} wide"
    change = "a neighbor sees this strip flat and is used there; press the sheet down if that is easily done"
    numbers = {loss.side: {"loss": round(loss.loss, 4), "reach_px": round(loss.reach)} for loss in losses}
    if redo:
        return Finding("lifted", "redo", why, "press the sheet down there and scan again", numbers)
    return Finding("lifted", "usable", why, change, numbers)


def _dust(evidence: Evidence) -> list[Finding]:
    if not evidence.grains:
        return []
    dpi = usual_dpi(evidence.tiles)
    mm = MM_PER_INCH / dpi if dpi else 1.0
    places = [[round(grain.x * mm, 1), round(grain.y * mm, 1)] for grain in evidence.grains]
    unit = "mm" if dpi else "px"
    listed = "; ".join(f"{x:.0f}, {y:.0f}" for x, y in places[:8])
    why = f"{len(places)} specks sit at the same place in most pieces ({unit} from the scan's left, top: {listed})"
    return [
        Finding(
            "dust on the glass",
            "usable",
            why,
            "clean the glass there; overlaps can cover some of them",
            {"places": places},
        )
    ]


def _soft_side(evidence: Evidence) -> list[Finding]:
    """A third of the bed that is less sharp in the set as a whole: drawing differs from place to place, the bed does
    not. Pieces that lie at one height tell once, for the bed's third is one part of the sheet there, as a line of text.
    """
    for axis, names in ((0, ("left", "middle", "right")), (1, ("top", "middle", "bottom"))):
        table = np.array([_thirds(look, axis) for look in evidence.looks])
        places = _places(evidence, axis)
        known = [column[np.isfinite(column)] for column in table.T]
        best = int(np.argmax([np.median(column) if len(column) else -math.inf for column in known]))
        for index, name in enumerate(names):
            below = table[:, best] - table[:, index]
            parts = [part[np.isfinite(part)] for part in (below[members] for members in places)]
            if sum(map(len, parts)) < LEAST_PIECES or sum(len(part) > 0 for part in parts) < LEAST_PLACES:
                continue
            means = np.array([part.mean() for part in parts if len(part)])
            loss, doubt = float(np.median(means)), float(means.std(ddof=1)) / math.sqrt(len(means))
            if loss > SOFT_SIDE and float(means.mean()) > float(special.stdtrit(len(means) - 1, SURE)) * doubt:
                why = f"all pieces are softer in the {name} third of the bed"
                change = "clean the glass and the lid there; keep the important parts away from that side"
                return [Finding("soft side", "usable", why, change, {"below_log": round(loss, 3)})]
    return []


def _places(evidence: Evidence, axis: int) -> list[list[int]]:
    """Pieces parted by where they lie on the sheet across (axis 0) or down, to a third of the bed, and which way they
    lie."""
    motions = evidence.layouts[0].sheet_from_tile
    placed = [index for index, tile in enumerate(evidence.tiles) if tile.name in motions]
    each = [motions[evidence.tiles[index].name] for index in placed]
    sides = np.array([motion[:2, axis] for motion in each])
    lengths = np.hypot(*sides.T)
    way = sides[0] / lengths[0]
    middles = [np.array([evidence.looks[index].shape[::-1]]) / 2 for index in placed]
    along = np.array([moved(motion, middle)[0] @ way for motion, middle in zip(each, middles, strict=True)])
    third = lengths[0] * min(evidence.looks[index].shape[1 - axis] for index in placed) / 3
    turned = sides @ way < 0.5 * lengths
    parts: list[list[int]] = []
    for group in (np.flatnonzero(~turned), np.flatnonzero(turned)):
        order = group[np.argsort(along[group], kind="stable")]
        begins = np.diff(along[order], prepend=-math.inf) > third
        for k, begun in zip(order.tolist(), begins.tolist(), strict=True):
            parts += [[]] if begun else []
            parts[-1].append(placed[k])
    return parts


def _thirds(look: Look, axis: int) -> list[float]:
    """Median log edge ratio of a piece in each third across (axis 0) or down; NaN where too little is drawn, and of
    nothing that a dead sensor cell goes through, which is as sharp as can be."""
    dead = [(one.at + 0.5) * look.reduction for one in look.sensed.columns]
    parts: list[list[float]] = [[], [], []]
    for item in look.sharpness:
        if any(abs(item.x - column) < WINDOW / 2 for column in dead):
            continue
        share = (item.x / look.shape[1], item.y / look.shape[0])[axis]
        parts[min(2, int(3 * share))].append(math.log(item.ratio))
    return [float(np.median(part)) if len(part) >= 2 else math.nan for part in parts]


def _smear(evidence: Evidence) -> list[Finding]:
    return [] if evidence.smear is None else [smear_finding(evidence.smear, usual_dpi(evidence.tiles))]


def smear_finding(patch: Smear, dpi: float | None) -> Finding:
    """What is said of a patch of the glass, in px of full size."""
    mm, unit = (MM_PER_INCH / dpi, "mm") if dpi else (1.0, "px")
    place, across = (patch.x * mm, patch.y * mm), math.sqrt(patch.area) * mm
    why = f"a patch of the glass, {across:.0f} {unit} wide, shows the same pattern in all pieces"
    where = f"({place[0]:.0f}, {place[1]:.0f} {unit} from the scan's left, top)"
    change = f"wipe fingerprints and smears off the glass, or take away what lies there {where}, and scan again"
    numbers = {"places": [[round(value, 1) for value in place]], "likeness": round(patch.likeness, 3)}
    return Finding("smear on the glass", "redo", why, change, numbers)


def _no_profile(evidence: Evidence) -> list[Finding]:
    if usual_profile(evidence.tiles) is not None:
        return []
    change = "let the scanner embed its profile; without one colors are taken as sRGB"
    return [Finding("no profile", "note", "most pieces carry no color profile", change)]
