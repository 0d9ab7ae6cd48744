"""I compare scans of one sheet at several resolutions and say which is the lowest that loses nothing.

In: paths of scans of the same sheet. Out: a record, a text, and crops side by side.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.addresses import file_of
from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings, Disconnected
from stitchbed.core.files import claim
from stitchbed.core.progress import Cancel, Progress, never, silent, watched
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import plain
from stitchbed.core.settings import check
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import transfer_of
from stitchbed.imaging.transforms import moved
from stitchbed.inspection.dpi import losses
from stitchbed.inspection.dpi.crops import CropRow, write_crops
from stitchbed.inspection.dpi.losses import Loss, Power
from stitchbed.inspection.dpi.same_sheet import View, groups
from stitchbed.inspection.enlargement import enlargement_of
from stitchbed.inspection.findings import declared_dpi
from stitchbed.inspection.looks import Look, look_at
from stitchbed.pipelines.check import LEAST_SIDE
from stitchbed.pipelines.contract.inputs import Inputs, paths_of
from stitchbed.pipelines.contract.records import CompareRecord
from stitchbed.reading.base.tile import Tile
from stitchbed.reading.formats import open_windows, pictures_in
from stitchbed.reading.intake import take_in

CROPS = 3
CROP_MM = 7.0
NEAR_TOP = 1.25  # a scan that loses when reduced so little shows detail up to its end, and more may lie beyond


@dataclass(frozen=True)
class _Scan:
    """One scan. from_first : 3x3 motion from the first scan's px to this one's. factor : of an enlargement, or None."""

    tile: Tile
    dpi: float
    look: Look
    from_first: Array
    factor: float | None


@dataclass(frozen=True)
class CompareSettings:
    """memory : bytes to work in. workers : threads. replace : keep aside what lies there and was not made here."""

    memory: int = 2**30
    workers: int = 2
    replace: bool = False
    full_paths: bool = False


def compare(
    inputs: Inputs,
    output: str | Path | None = None,
    settings: CompareSettings | None = None,
    *,
    progress: Progress = silent,
    cancel: Cancel = never,
) -> CompareRecord:
    """Compare two or more scans; `output` (PNG) receives the places that lose most, from all of them.

    Raises
    ------
    BadSettings : fewer than two scans, one too small, or one that does not say its dpi. Disconnected : no two show the
    same sheet.
    """
    settings = settings or CompareSettings()
    check(settings)
    crops, progress = Path(output) if output is not None else None, watched(progress, cancel)
    kept_aside = claim([crops] if crops is not None else [], paths_of(inputs), replace=settings.replace)
    tiles, warnings = take_in(paths_of(inputs), memory=settings.memory)
    if len(tiles) < 2:
        raise BadSettings(
            "only one scan to compare", expected="the same sheet at two or more dpi", attempt="compare A B"
        )
    scans, strangers = _registered(_in_order(tiles), settings.memory)
    best = max([scan for scan in scans if scan.factor is None] or scans, key=lambda scan: scan.dpi)
    steps = sorted({scan.dpi for scan in scans if scan.dpi < best.dpi})
    with open_windows(best.tile.path, memory=settings.memory) as windows:
        power = losses.power_of(windows, best.dpi, [*steps, best.dpi / NEAR_TOP])
    progress("measuring", 1, 1)
    noise, found = losses.losses(power, best.dpi, [*steps, best.dpi / NEAR_TOP])
    advice = losses.advised(found[:-1], best.dpi)
    record = {
        "command": "compare",
        "warnings": [*kept_aside, *warnings, *strangers],
        "criterion": {"place_mm": losses.PLACE_MM, "share": losses.SHARE, "noise": round(noise, 2)},
        "best": best.tile.name,
        "advised_dpi": advice,
        "detail_goes_on": advice == best.dpi and found[-1].share > losses.SHARE,
        "interpolated": [scan.tile.name for scan in scans if scan.factor is not None],
        "scans": [_scan_record(scan, scans[0], found) for scan in scans],
    }
    if crops is not None:
        rows = _crop_rows(scans, best, power, _shown_loss(found[:-1], advice), settings.memory)
        write_crops(crops, rows, originals=[tile.path for tile in tiles])
        record["crops"] = crops
    told: CompareRecord = plain(record)
    return told


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


def _registered(ordered: Sequence[tuple[Tile, float]], memory: int) -> tuple[list[_Scan], list[str]]:
    """The scans of one sheet with their motions, and what to say of those left out.

    Raises
    ------
    Disconnected : no two show the same sheet. BadSettings : a scan is too small to be compared.
    """
    looks = [_looked(tile, memory) for tile, _ in ordered]
    pairs = zip(looks, ordered, strict=True)
    found = groups([View(look.gray.astype(np.float32), look.reduction, dpi) for look, (_, dpi) in pairs])
    names = [tile.name for tile, _ in ordered]
    if len(found[0]) < 2:
        raise Disconnected(
            f"{' and '.join(names)} do not show the same part of a sheet",
            expected="scans of one part of a sheet at different dpi, each with its own dpi in the file",
            attempt="look whether the files are those you mean and whether each says the dpi it was scanned with",
        )
    scans = [
        _Scan(*ordered[index], looks[index], motion, _factor(looks[index]))
        for index, motion in sorted(found[0].items())
    ]
    left = [name for index, name in enumerate(names) if index not in found[0]]
    return scans, [
        f"{name} is left out: it does not show what the other scans show, or not at its dpi" for name in left
    ]


def _looked(tile: Tile, memory: int) -> Look:
    if min(tile.raster.shape[:2]) < LEAST_SIDE:
        raise BadSettings(
            f"{tile.name} of {tile.raster.shape[1]} x {tile.raster.shape[0]} px",
            expected=f"scans of at least {LEAST_SIDE} px a side",
            attempt="scans of a larger part of the sheet",
        )
    with open_windows(tile.path, memory=memory) as windows:
        return look_at(windows, transfer_of(tile.raster.icc))


def _factor(look: Look) -> float | None:
    factor = enlargement_of(look)
    return None if factor is None else round(factor, 3)


def _scan_record(scan: _Scan, lowest: _Scan, found: Sequence[Loss]) -> dict[str, Any]:
    """What a scan loses against the best one, and what it costs over the lowest."""
    loss = next((one for one in found if one.dpi == scan.dpi), None)
    return {
        "name": scan.tile.name,
        "dpi": scan.dpi,
        "interpolated": scan.factor,
        "noise": round(scan.look.noise, 2),
        "loses_share": None if loss is None else round(loss.share, 5),
        "loses_levels": None if loss is None else round(loss.worst, 2),
        "grain_lost": None if loss is None else round(loss.grain, 2),
        "pixels": scan.look.shape[0] * scan.look.shape[1],
        "bytes": _stored_bytes(scan.tile.path),
        "size": round((scan.dpi / lowest.dpi) ** 2, 2),
        "time": losses.time_ratio(scan.dpi, lowest.dpi),
    }


def _stored_bytes(path: Path) -> int:
    """Bytes of a picture's file, shared out where the file holds several."""
    file = file_of(path)
    return file.stat().st_size // len(pictures_in(file))


def _shown_loss(found: Sequence[Loss], advice: float) -> Loss | None:
    """The loss the crops show: of the step below the advised one, else of the lowest."""
    below = [loss for loss in found if loss.dpi < advice]
    return below[-1] if below else min(found, key=lambda loss: loss.dpi, default=None)


def _crop_rows(scans: Sequence[_Scan], best: _Scan, power: Power, loss: Loss | None, memory: int) -> list[CropRow]:
    """The places that lose most, apart from each other, as all scans show them."""
    rows: list[CropRow] = []
    for at in _worst_places(power, loss, best.dpi) if loss else []:
        boxes = [_box(scan, best, at) for scan in scans]
        if all(boxes):
            rows.append(CropRow(tuple(_crop(scan, box, memory) for scan, box in zip(scans, boxes, strict=True) if box)))
        if len(rows) == CROPS:
            break
    return rows


def _worst_places(power: Power, loss: Loss, dpi: float) -> Iterator[Array]:
    """Middles (x, y) px of squares of the best scan, the greatest loss first, apart from those before."""
    reach = max(1, round(0.7 * CROP_MM / MM_PER_INCH * dpi / power.side))
    # a crop shows many squares: what is lost over half of it says more than a lone speck
    excess = cv2.blur(loss.excess, (max(1, reach // 2),) * 2)
    while excess.max() > -np.inf:
        row, col = np.unravel_index(int(excess.argmax()), excess.shape)
        yield np.array(power.corner) + (np.array([col, row]) + 0.5) * power.side - 0.5
        excess[max(0, row - reach) : row + reach + 1, max(0, col - reach) : col + reach + 1] = -np.inf


def _box(scan: _Scan, best: _Scan, at: Array) -> Box | None:
    """The crop of a scan around a place of the best one; None where it leaves the picture."""
    there = moved(scan.from_first @ np.linalg.inv(best.from_first), at[None])[0]
    side = round(CROP_MM / MM_PER_INCH * scan.dpi)
    box = Box(round(float(there[1]) - side / 2), round(float(there[0]) - side / 2), side, side)
    rows, cols = scan.look.shape
    inside = box.row >= 0 and box.col >= 0 and box.bottom <= rows and box.right <= cols
    return box if inside else None


def _crop(scan: _Scan, box: Box, memory: int) -> tuple[str, NDArray[Any]]:
    with open_windows(scan.tile.path, memory=memory) as windows:
        return f"{scan.dpi:.0f} dpi", windows.window(box)
