"""I judge each scan by itself and against what most of its set show: sharpness, noise, ends, compression, dpi, profile.

In: evidence. Out: findings per piece.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.imaging.transforms import between
from stitchbed.inspection import quality
from stitchbed.inspection.checks.pairs import dusty
from stitchbed.inspection.enlargement import BLOCKS, ROUNDING, ends_of, enlargement_of, is_near
from stitchbed.inspection.findings import Evidence, Finding, declared_dpi, usual_dpi, usual_profile
from stitchbed.inspection.looks import Look
from stitchbed.inspection.sensor.drawn_lines import is_drawn
from stitchbed.matching.robust import robust_spread
from stitchbed.reading.base.tile import Tile

# Bounds. Where a source is named it gives the number; the others were set between what good and faulty synthetic and
# forged scans show (see the tests), about in the middle on a log scale.
NOISE_MOST = 5.0  # gray levels: two star of FADGI 2016 ("noise counts 6/5/4/3" for 1 to 4 star)
NOISE_OVER_SET = 1.8  # times what most of the set have ...
NOISE_LEAST = 2.5  # ... unless it is below this anyway (better than four star)
BLACK_SHARE, WHITE_SHARE = 0.002, 0.01  # of the pixels around drawing, piled up on the last code
OFF_THE_END = {
    "white": "lower the exposure (or raise the white point) so that paper stays below white",
    "black": "raise the exposure (or lower the black point) so that ink stays above black",
}
BLUR_STEP = 0.15  # log of the edge ratio below the neighbors' at the same places: sigma 0.5 px becoming about 0.9 px
BLUR_OWN = 0.10  # and below what the set shows on the whole, so that a lifted overlap is not called blur
BLUR_ADDED = 1.0  # or so many px, sigma, and the log above: where drawing is soft anyway such a blur takes little of it
BLUR_ALONE, BLUR_APART = 0.30, 2.0  # without neighbors; and times what the others differ by among themselves
# Of the others' noise; of the finest that they show, and of that over what is half as fine: enlarged scans keep .3, .17
# to .22 and .29 to .37, good ones of eight media .8, .64 and .66 at least; blurred ones lose what is coarser as well.
QUIET, FINEST, EMPTY = 0.7, 0.5, 0.5
LEAST_OTHERS = 2  # pieces that tell what is usual
DPI_APART = 0.02  # relative
FRAME_SHARE = 0.04  # of a length: so much of what the bed's frame or a black lid covers may be seen beside a sheet


def piece_findings(evidence: Evidence) -> list[list[Finding]]:
    """Findings of each tile, in order."""
    found = []
    for index, (tile, look) in enumerate(zip(evidence.tiles, evidence.looks, strict=True)):
        lossy = _lossy(evidence.formats[index], tile.raster.lost, look)
        made_up = [] if lossy else _interpolated(look, declared_dpi(tile), quiet=_quiet(evidence, index))
        blur = [] if lossy or made_up else _blurred(evidence, index)
        lost = 1.0 if lossy or made_up else _finest(evidence, index)
        if lost < FINEST:
            blur, made_up = [], [_made_up("", {"finest_over_set": round(lost, 2)})]
        rest = [*_noisy(evidence, index), *_clipped(look), *_dpi(evidence, tile), *_profile(evidence, tile)]
        found.append([*blur, *lossy, *made_up, *_sensor(evidence, index), *rest])
    return found


def own_sharpness(look: Look) -> float | None:
    """Median log edge ratio of a scan, None without edges."""
    return float(np.median(np.log([item.ratio for item in look.sharpness]))) if look.sharpness else None


def _blurred(evidence: Evidence, index: int) -> list[Finding]:
    own = own_sharpness(evidence.looks[index])
    others = [own_sharpness(look) for number, look in enumerate(evidence.looks) if number != index]
    known = [value for value in others if value is not None]
    if own is None or not known:
        return []
    # beside specks, steps of few tones and dead cells, which are as sharp as can be, a clean piece looks soft
    unfit = {k for k, _ in dusty(evidence)} | {k for k, look in enumerate(evidence.looks) if look.sensed.tones}
    if not evidence.looks[index].sensed.columns:
        unfit |= {k for k, look in enumerate(evidence.looks) if look.sensed.columns}
    against = [
        value if pair[0] == index else -value
        for pair, value in evidence.sharper.items()
        if index in pair and not (unfit - {index}) & set(pair)
    ]
    if unfit and not against:
        return []
    finding = softer(own, known, against)
    return [finding] if finding else []


def softer(own: float, others: Sequence[float], against: Sequence[float]) -> Finding | None:
    """Of a piece whose edges have a log ratio of `own`, those of the others `others`, and which is less than its
    neighbors by `against` at the same places (negative; may be none).
    """
    below = float(np.median(others)) - own
    beside = -float(np.median(against)) if against else None
    if beside is None:
        told = below > max(BLUR_ALONE, BLUR_APART * robust_spread(np.array(others)))
    else:
        told = min(beside, below) > BLUR_OWN and (beside > BLUR_STEP or _added(own, beside) > BLUR_ADDED)
    return _blur_finding(float(np.exp(own)), below, beside) if told else None


def _added(own: float, beside: float) -> float:
    """Sigma px of the blur that makes edges whose log ratio was `own` + `beside` as soft as `own`."""
    soft, sharp = (quality.blur_of(float(np.exp(value))) for value in (own, own + beside))
    return float(np.sqrt(max(soft**2 - sharp**2, 0.0)))


def _blur_finding(ratio: float, below: float, beside: float | None) -> Finding:
    """ratio : of edges. below, beside : logs by which they are less steep than the set's, than the neighbors' at the
    same places; beside no neighbor it may be the drawing that is softer."""
    why = f"edges are {100 * (1 - np.exp(-(beside or below))):.0f} % less steep than in the other pieces"
    change = "lay the sheet flat on the glass, press it evenly, let nothing shake the table, and scan again"
    numbers = {
        "blur_px": round(quality.blur_of(ratio), 2),
        "below_neighbors_log": beside,
        "below_set_log": below,
    }
    if beside is not None:
        return Finding("blurred", "redo", why, change, numbers)
    return Finding("blurred", "usable", f"{why}, if what is drawn there is no softer", f"if so, {change}", numbers)


def _noisy(evidence: Evidence, index: int) -> list[Finding]:
    found = noise_finding(evidence.looks[index].sure_noise, [look.sure_noise for look in evidence.looks])
    return [found] if found else []


def noise_finding(noise: float, every: Sequence[float]) -> Finding | None:
    """What is said of a scan with such a noise (gray levels), in a set where it is so in `every` piece."""
    usual = float(np.median(every))
    apart = noise > NOISE_OVER_SET * usual and noise > NOISE_LEAST
    if not apart and noise <= NOISE_MOST:
        return None
    return Finding(
        "noise",
        "redo" if apart else "usable",
        f"noise of {noise:.1f} gray levels" + (f", {usual:.1f} in most pieces" if apart else ""),
        "let the lamp warm up, switch fast or draft modes off, and scan again",
        {"noise": round(noise, 2), "usual": round(usual, 2)},
    )


def _clipped(look: Look) -> list[Finding]:
    ends = (("white", look.white, WHITE_SHARE), ("black", look.black, BLACK_SHARE))
    return [clipped_finding(name, share) for name, share, least in ends if share > least]


def clipped_finding(end: str, share: float) -> Finding:
    """What is said of a scan that is cut off at an end of OFF_THE_END."""
    why = f"{100 * share:.1f} % of the pixels around the drawing are cut off at {end}; what was there is lost"
    change = f"{OFF_THE_END[end]}, for all pieces alike"
    return Finding(f"clipped {end}", "redo", why, change, {"share": share})


def _sensor(evidence: Evidence, index: int) -> list[Finding]:
    """What the sensor, the driver or a broken transfer did."""
    look = evidence.looks[index]
    found = []
    others = _beside(evidence, index) if look.sensed.streaks else []
    streaks = [streak for streak in look.sensed.streaks if not is_drawn(look, streak.axis, streak.at, others)]
    if streaks:
        places = [round((streak.at + 0.5) * look.reduction) for streak in streaks]
        kind = "column" if streaks[0].axis == 1 else "row"
        found.append(streak_finding(kind, places))
    if look.sensed.tones:
        found.append(few_tones_finding(look.sensed.tones))
    if look.sensed.black:
        found.append(cut_off_finding(*look.sensed.black))
    return found


def _beside(evidence: Evidence, index: int) -> list[tuple[Look, Array]]:
    """The other pieces on a piece's sheet, each with the motion to it."""
    name = evidence.tiles[index].name
    places = next((layout.sheet_from_tile for layout in evidence.layouts if name in layout.sheet_from_tile), {})
    pairs = zip(evidence.tiles, evidence.looks, strict=True)
    return [
        (look, between(places[name], places[tile.name]))
        for tile, look in pairs
        if tile.name in places and tile.name != name
    ]


def streak_finding(kind: str, places: Sequence[int]) -> Finding:
    """What is said of a scan with lines through it. kind : column or row. places : px."""
    listed = ", ".join(str(place) for place in places[:6])
    why = f"a line goes through the whole scan at {kind} {listed}: a dead sensor cell, or dirt on its white strip"
    change = "clean the glass and the white strip under the lid's hinge, let the scanner calibrate, and scan again"
    return Finding("streak", "redo", why, change, {"axis": kind, "px": list(places)})


def few_tones_finding(tones: int) -> Finding:
    """What is said of a scan with so many tones."""
    why = f"only {tones} tones from dark to light, so soft tones end in steps"
    change = "scan with 8 or 16 bits per channel, no drawing or text mode, and no tone curve in the driver"
    return Finding("few tones", "redo", why, change, {"tones": tones})


def cut_off_finding(side: str, share: float) -> Finding:
    """What is said of a scan that is black from a side over a share of its length."""
    why = f"black from the {side} over {100 * share:.0f} % of its length: the scan broke off"
    change = "scan it again; look at the cable and the free disk space"
    if share < FRAME_SHARE:
        why += ", or the frame of the bed lies there"
        change = f"nothing, where that is beside the sheet; else {change}"
    return Finding("cut off", "redo", why, change, {"share": round(share, 3)})


def _lossy(format_name: str, lost: tuple[str, ...], look: Look) -> list[Finding]:
    """What the kind of file took, or an earlier one before it."""
    numbers = {"blocks": round(look.blocks, 1)}
    change = "scan to TIFF or PNG; what lossy compression took cannot be brought back"
    if lost:
        name = "jpeg" if format_name in ("JPEG", "WebP") else "lossy"
        return [Finding(name, "usable", f"stored as {format_name}: {', '.join(lost)}", change, numbers)]
    eighths = [trace for trace in look.traces if is_near(trace, 0.375) or is_near(trace, 0.125)]
    if look.blocks > BLOCKS and any(trace.strength > 2.0 for trace in eighths):
        return [
            Finding("jpeg", "usable", "the pattern of lossy 8 px blocks shows: it was a JPEG before", change, numbers)
        ]
    return []


def _interpolated(look: Look, dpi: float | None, *, quiet: bool) -> list[Finding]:
    """Resolution that was made up by the driver or a program."""
    factor = enlargement_of(look, quiet=quiet)
    if factor is None:
        return []
    real = f" ({dpi / factor:.0f} of the {dpi:.0f} dpi are real at most)" if dpi else ""
    strongest = round(max((t.strength for t in look.traces), default=0), 1)
    return [_made_up(f", {factor:.3g} times or more{real}", {"factor": round(factor, 3), "strongest_trace": strongest})]


def _made_up(by: str, numbers: Mapping[str, Any]) -> Finding:
    why = f"pixels were made up between the scanned ones{by}, or detail was smoothed"
    change = "scan at a resolution the sensor really has, with no smoothing; a higher number adds size, not detail"
    return Finding("interpolated", "usable", why, change, numbers)


def _finest(evidence: Evidence, index: int) -> float:
    """Of the finest noise of most pieces what one has, where it lost more of that than of what is half as fine, else 1:
    optics leave the noise of the sensor alone, and grain of the paper loses both.
    """
    ends = np.array([ends_of(np.maximum(look.bands_calm - ROUNDING, ROUNDING / 8)) for look in evidence.looks])
    if not _quiet(evidence, index):
        return 1.0
    fine, half = ends[index] / np.median(np.delete(ends, index, axis=0), axis=0)
    return float(fine) if fine < EMPTY * half else 1.0


def _quiet(evidence: Evidence, index: int) -> bool:
    """True of a piece with far less noise than the others have, where several tell what is usual."""
    noise = np.array([look.noise for look in evidence.looks])
    others = np.delete(noise, index)
    return len(others) >= LEAST_OTHERS and bool(noise[index] < QUIET * np.median(others))


def _dpi(evidence: Evidence, tile: Tile) -> list[Finding]:
    said, usual = tile.raster.dpi, usual_dpi(evidence.tiles)
    if said is None:
        alike = f"most pieces say {usual:.0f}" if usual else "no piece says one"
        return [
            Finding(
                "no dpi",
                "usable",
                f"the file does not say its resolution; {alike}",
                "name the resolution when joining, or let the scanner write it into the file",
            )
        ]
    found = []
    if tile.raster.uneven:
        why = f"the file says {said[0]:.0f} dpi across and {said[1]:.0f} down"
        found.append(Finding("uneven dpi", "redo", why, "scan with one resolution for both directions"))
    found += _wrong_dpi(evidence, tile, usual)
    if usual in (72.0, 96.0) and max(tile.raster.shape[:2]) / usual > 24:
        why = f"{usual:.0f} dpi would make the piece {max(tile.raster.shape[:2]) / usual * 2.54:.0f} cm long"
        found.append(
            Finding("wrong dpi", "usable", why, "programs write 72 or 96 when they do not know: name the real one")
        )
    return found


def _wrong_dpi(evidence: Evidence, tile: Tile, usual: float | None) -> list[Finding]:
    """What the file says against what the picture shows beside its neighbors."""
    said = declared_dpi(tile)
    if said is None or usual is None:
        return []
    shown = shown_dpi(evidence, tile, usual)
    if shown is not None and abs(shown / said - 1) > DPI_APART:
        why = f"the file says {said:.0f} dpi, but beside its neighbors it shows {shown:.0f}"
        change = "trust the picture, and find out what rewrote the number"
        return [Finding("wrong dpi", "usable", why, change, {"said": said, "shown": round(shown, 1)})]
    if abs(said / usual - 1) > DPI_APART:
        why = f"{said:.0f} dpi, most pieces have {usual:.0f}"
        return [
            Finding("other dpi", "usable", why, "scan all pieces at one resolution", {"said": said, "usual": usual})
        ]
    return []


def shown_dpi(evidence: Evidence, tile: Tile, usual: float) -> float | None:
    """Dpi of a tile from its scale on the sheet beside tiles that say the usual dpi."""
    for layout in evidence.layouts:
        if tile.name not in layout.sheet_from_tile:
            continue
        scale = {name: float(np.hypot(m[0, 0], m[1, 0])) for name, m in layout.sheet_from_tile.items()}
        said = {item.name: declared_dpi(item) for item in evidence.tiles}
        known = [scale[n] for n in scale if n != tile.name and said[n] and abs((said[n] or 0) / usual - 1) < DPI_APART]
        return usual * float(np.median(known)) / scale[tile.name] if known else None
    return None


def _profile(evidence: Evidence, tile: Tile) -> list[Finding]:
    found = []
    usual = usual_profile(evidence.tiles)
    if tile.raster.icc != usual:
        why = (
            "no color profile, other than most pieces"
            if tile.raster.icc is None
            else "another color profile than most pieces"
        )
        found.append(Finding("profile", "redo", why, "scan all pieces with the same color settings"))
    for name, values in (
        ("channels", [item.raster.shape[2] for item in evidence.tiles]),
        ("bits", [item.raster.bits for item in evidence.tiles]),
    ):
        own = tile.raster.shape[2] if name == "channels" else tile.raster.bits
        common = Counter(values).most_common(1)[0][0]
        if own != common:
            why = f"{own} {name}, most pieces have {common}"
            found.append(Finding(f"other {name}", "usable", why, "scan all pieces with the same settings"))
    return found
