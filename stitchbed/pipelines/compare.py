"""I compare scans of one sheet at several resolutions and say which is the lowest that loses nothing.

In: paths of scans of the same sheet. Out: a record, a text, and crops side by side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings, Disconnected
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import plain
from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import gray_of
from stitchbed.imaging.transfer import transfer_of
from stitchbed.imaging.transforms import moved
from stitchbed.inspection import quality, resolution
from stitchbed.inspection.crops import CropRow, write_crops
from stitchbed.inspection.findings import declared_dpi
from stitchbed.inspection.glass import LEAST_DEPTH, SPECK_PX, speck_depth
from stitchbed.inspection.looks import Look, look_at
from stitchbed.inspection.piece_checks import enlargement_of
from stitchbed.inspection.resolution import Limits
from stitchbed.matching.features import FeatureSettings, Keypoints, detect
from stitchbed.matching.hypotheses import LinkSettings
from stitchbed.matching.similarity_links import Link, Sight, link, sight_of
from stitchbed.pipelines.check import LEAST_SIDE
from stitchbed.pipelines.texts import compare as comparison_words
from stitchbed.reading.base.tile import Tile
from stitchbed.reading.formats import open_windows
from stitchbed.reading.intake import take_in

LEAST_WINDOW = 96  # px at the lowest resolution: three rings of spectrum a cycle
PLACES = 14  # windows of drawing, and as many of paper (a quarter as large, as bare paper is)
CALM_SPREAD = 1.6  # times the contrast of the calmest window: more is no bare paper
CROPS = 3
CROP_MM = 7.0


@dataclass(frozen=True)
class _Scan:
    """One scan. from_first : 3x3 motion from the first scan's px to this one's."""

    tile: Tile
    dpi: float
    look: Look
    from_first: Array


def compare(paths: Sequence[Path], *, crops: Path | None = None) -> tuple[dict[str, Any], str]:
    """Compare two or more scans; `crops` (PNG) receives the same places from all of them.

    Raises
    ------
    BadSettings : fewer than two scans, or none says its dpi. Disconnected : they do not show the same sheet.
    """
    tiles, warnings = take_in(paths)
    if len(tiles) < 2:
        raise BadSettings(
            "only one scan to compare", expected="the same sheet at two or more dpi", attempt="compare A B"
        )
    scans = _registered(_in_order(tiles))
    best = _most_detailed(scans)
    boxes = {calm: _places(scans, best, calm=calm) for calm in (False, True)}
    parts = [_measured(scan, best, boxes) for scan in scans]
    record = {"command": "compare", "warnings": warnings, "scans": parts, **_verdict(parts)}
    if crops is not None:
        rows = _crop_rows(scans, best, boxes[False])
        write_crops(crops, rows, originals=[tile.path for tile in tiles])
        record["crops"] = crops
    return plain(record), comparison_words.text(plain(record))


def _in_order(tiles: Sequence[Tile]) -> list[tuple[Tile, float]]:
    """Tiles with their dpi, the lowest first."""
    unknown = [tile.name for tile in tiles if declared_dpi(tile) is None]
    if unknown:
        raise BadSettings(
            f"{', '.join(unknown)} does not say its resolution",
            expected="scans that carry their dpi",
            attempt="scan to TIFF or PNG with the resolution written into the file",
        )
    return sorted(((tile, float(declared_dpi(tile) or 0)) for tile in tiles), key=lambda pair: (pair[1], pair[0].name))


def _registered(ordered: Sequence[tuple[Tile, float]]) -> list[_Scan]:
    """Every scan with its motion from the first.

    Raises
    ------
    Disconnected : a scan shows another sheet. BadSettings : a scan is too small to be compared.
    """
    scans: list[_Scan] = []
    first: tuple[Keypoints, Sight] | None = None
    for tile, dpi in ordered:
        if min(tile.raster.shape[:2]) < LEAST_SIDE:
            raise BadSettings(
                f"{tile.name} of {tile.raster.shape[1]} x {tile.raster.shape[0]} px",
                expected=f"scans of at least {LEAST_SIDE} px a side",
                attempt="scans of a larger part of the sheet",
            )
        with open_windows(tile.path) as windows:
            look = look_at(windows, transfer_of(tile.raster.icc))
        seen = _sighted(tile, look)
        if first is None:
            first = seen
            scans.append(_Scan(tile, dpi, look, np.eye(3)))
            continue
        got = link(first[0], seen[0], (first[1], seen[1]), dpi / scans[0].dpi, LinkSettings())
        if not isinstance(got, Link):
            raise Disconnected(
                f"{tile.name} and {scans[0].tile.name} do not show the same sheet ({got.reason})",
                expected="scans of one part of a sheet at different dpi, with the right dpi in the file",
                attempt="scan the same part again without moving the sheet",
            )
        scans.append(_Scan(tile, dpi, look, got.b_from_a))
    return scans


def _sighted(tile: Tile, look: Look) -> tuple[Keypoints, Sight]:
    gray = look.gray.astype(np.float32)
    points = detect(tile.name, look.gray[..., None], look.reduction, FeatureSettings(most=1500))
    return points, sight_of(gray, look.reduction, 480)


def _most_detailed(scans: Sequence[_Scan]) -> _Scan:
    """The highest dpi that is not made up."""
    real = [scan for scan in scans if enlargement_of(scan.look) is None]
    return max(real or scans, key=lambda scan: scan.dpi)


def _places(scans: Sequence[_Scan], best: _Scan, *, calm: bool) -> list[Array]:
    """Middles of windows (x, y) px of the best scan: where most is drawn, or least, of what all scans show."""
    side_mm = _side_mm(scans[0].dpi, calm=calm)
    cell = side_mm / MM_PER_INCH * best.dpi / best.look.reduction
    contrast = quality.cell_contrast(best.look.gray.astype(np.float32), max(2.0, cell / 2))
    found: list[Array] = []
    first = None
    for index in np.argsort(contrast.ravel() if calm else -contrast.ravel(), kind="stable"):
        row, col = divmod(int(index), contrast.shape[1])
        at = (np.array([col, row]) + 0.5) / contrast.shape[::-1] * best.look.shape[::-1]
        apart = all(np.abs(at - other).max() > cell * best.look.reduction * 0.8 for other in found)
        if not apart or not all(_box(scan, best, at, side_mm) for scan in scans):
            continue
        first = float(contrast[row, col]) if first is None else first
        if len(found) == PLACES or (calm and contrast[row, col] > CALM_SPREAD * first):
            break
        found.append(at)
    if not found:
        raise Disconnected(
            "the scans share no part large enough to compare",
            expected=f"at least {side_mm:.0f} mm shown by all of them",
            attempt="scan a larger part of the sheet, the same each time",
        )
    return found


def _side_mm(lowest_dpi: float, *, calm: bool) -> float:
    """Side of a window: LEAST_WINDOW px of the lowest scan, half of it for bare paper."""
    return LEAST_WINDOW / lowest_dpi * MM_PER_INCH / (2 if calm else 1)


def _box(scan: _Scan, best: _Scan, at: Array, side_mm: float) -> Box | None:
    """The window of a scan around a place of the best one; None where it leaves the picture."""
    there = moved(scan.from_first @ np.linalg.inv(best.from_first), at[None])[0]
    side = round(side_mm / MM_PER_INCH * scan.dpi)
    box = Box(round(float(there[1]) - side / 2), round(float(there[0]) - side / 2), side, side)
    rows, cols = scan.look.shape
    inside = box.row >= 0 and box.col >= 0 and box.bottom <= rows and box.right <= cols
    return box if inside else None


def _measured(scan: _Scan, best: _Scan, places: dict[bool, list[Array]]) -> dict[str, Any]:
    """Limits and costs of one scan."""
    lowest = scan.dpi / float(np.hypot(scan.from_first[0, 0], scan.from_first[1, 0]))
    grays: dict[bool, list[NDArray[np.float32]]] = {}
    with open_windows(scan.tile.path) as windows:
        for calm, found in places.items():
            boxes = [_box(scan, best, at, _side_mm(lowest, calm=calm)) for at in found]
            grays[calm] = [gray_of(windows.window(box)) for box in boxes if box]
    noise = float(np.percentile([quality.noise_level(gray) for gray in grays[True]], 25))
    limits = resolution.limits(resolution.spectrum(grays[False], grays[True], noise), scan.dpi)
    area = sum(gray.size for gray in grays[True]) * (2.54 / scan.dpi) ** 2
    specks = sum(_specks(gray) for gray in grays[True])
    return {
        "name": scan.tile.name,
        "dpi": scan.dpi,
        "interpolated": _factor(scan),
        "limits": limits,
        "noise": round(noise, 2),
        "specks_per_cm2": round(specks / area, 1),
        "pixels": scan.look.shape[0] * scan.look.shape[1],
        "bytes": scan.tile.path.stat().st_size,
        "effective_dpi": round(min(scan.dpi, resolution.least_dpi(limits.detail))),
    }


def _factor(scan: _Scan) -> float | None:
    factor = enlargement_of(scan.look)
    return None if factor is None else round(factor, 3)


def _specks(gray: NDArray[np.float32]) -> int:
    """Lone dark specks that stand clear of noise and grain; at the rim a line cut off would look like one."""
    depth = speck_depth(gray, max(LEAST_DEPTH, 6 * float(gray.std())))
    rim = np.ones(depth.shape, bool)
    rim[SPECK_PX:-SPECK_PX, SPECK_PX:-SPECK_PX] = False
    depth = np.where(rim, 0, depth)
    return int(((depth > 0) & (depth >= np.max([np.roll(depth, s, a) for s in (1, -1) for a in (0, 1)], axis=0))).sum())


def _verdict(parts: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Advice over all scans: the limit comes from the highest one that is not made up."""
    real = [part for part in parts if part["interpolated"] is None]
    judged = real or list(parts)
    limits: list[Limits] = [part["limits"] for part in judged]
    detail, grain = max(item.detail for item in limits), max(item.grain for item in limits)
    steps = [part["dpi"] for part in judged]
    goes_on = detail >= 0.95 * max(item.nyquist for item in limits)
    least = min(steps)
    return {
        "detail_per_mm": detail,
        "detail_dpi": round(resolution.least_dpi(detail)),
        "grain_dpi": round(resolution.least_dpi(grain)),
        "advised_dpi": resolution.advised(steps, detail) or max(steps),
        "detail_goes_on": goes_on,
        "interpolated": [part["name"] for part in parts if part["interpolated"] is not None],
        "ratios": [
            {
                "dpi": part["dpi"],
                "size": round((part["dpi"] / least) ** 2, 2),
                "time": resolution.time_ratio(part["dpi"], least),
            }
            for part in parts
        ],
    }


def _crop_rows(scans: Sequence[_Scan], best: _Scan, places: Sequence[Array]) -> list[CropRow]:
    """The most detailed places, as all scans show them."""
    rows = []
    for at in places[:CROPS]:
        crops = []
        for scan in scans:
            box = _box(scan, best, at, CROP_MM)
            if box is not None:
                with open_windows(scan.tile.path) as windows:
                    crops.append((f"{scan.dpi:.0f} dpi", windows.window(box)))
        rows.append(CropRow(tuple(crops)))
    return rows
