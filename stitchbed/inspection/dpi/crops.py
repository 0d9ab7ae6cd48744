"""I set crops of several scans side by side in one picture.

In: rows of labeled crops of stored pixels. Out: a PNG whose pixels show the scans' pixels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from stitchbed.core.files import claimed

SIDE = 380  # px of a crop
GAP = 12
HEAD = 30
GROUND, INK = (119, 119, 119), (255, 255, 255)  # middle gray: L* 50, against which light and dark are judged alike


@dataclass(frozen=True)
class CropRow:
    """Crops of one place: (label, (h, h, c) stored pixels) each."""

    crops: tuple[tuple[str, NDArray[Any]], ...]


def write_crops(path: Path, rows: Sequence[CropRow], *, originals: Sequence[Path] = ()) -> None:
    """Write the rows as one PNG.

    Raises
    ------
    CannotWrite, WouldTouchOriginal : see `core.record.claimed`.
    """
    sheet = crop_sheet(rows)
    with claimed(path, originals=originals) as partial:
        sheet.save(partial, format="PNG", optimize=True)


def crop_sheet(rows: Sequence[CropRow]) -> Image.Image:
    """The picture: a row per place, a column per scan, its label above."""
    columns = max((len(row.crops) for row in rows), default=1)
    size = GAP + columns * (SIDE + GAP), GAP + len(rows) * (SIDE + HEAD + GAP)
    sheet = Image.new("RGB", size, GROUND)
    draw = ImageDraw.Draw(sheet)
    font = ImageFont.load_default(size=18)
    for number, row in enumerate(rows):
        for column, (label, pixels) in enumerate(row.crops):
            x, y = GAP + column * (SIDE + GAP), GAP + number * (SIDE + HEAD + GAP)
            draw.text((x, y), label, fill=INK, font=font)
            sheet.paste(Image.fromarray(_square(_rgb8(pixels))), (x, y + HEAD))
    return sheet


def _rgb8(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    scaled = cv2.convertScaleAbs(np.ascontiguousarray(pixels), alpha=255.0 / np.iinfo(pixels.dtype).max)
    flat = scaled.reshape(*pixels.shape[:2], -1)
    return np.asarray(np.repeat(flat, 3, axis=2) if flat.shape[2] == 1 else flat, np.uint8)


def _square(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """(SIDE, SIDE, 3) picture of a square crop: pixels stay visible when enlarged, nothing is made up."""
    how = cv2.INTER_AREA if pixels.shape[0] > SIDE else cv2.INTER_NEAREST
    return np.asarray(cv2.resize(np.ascontiguousarray(pixels), (SIDE, SIDE), interpolation=how), np.uint8)
