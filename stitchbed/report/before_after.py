"""I show what a step did: the same place before and after, side by side.

In: two or more pictures of stored or linear pixels. Out: one PNG.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from stitchbed.core.arrays import Floats, Pixels
from stitchbed.core.files import claimed
from stitchbed.imaging.depth import eight_bit
from stitchbed.imaging.transfer import srgb_encode

SIDE = 480  # px of one picture, at most; smaller ones are enlarged by whole numbers so that their pixels show
GAP = 8
GROUND = 119  # middle gray, L* 50


def write_pair(path: Path, pictures: Sequence[Pixels], *, originals: Sequence[Path] = ()) -> None:
    """Write pictures side by side, stored codes (h, w, c) each.

    Raises
    ------
    CannotWrite, WouldTouchOriginal : see `core.record.claimed`.
    """
    shown = [_fitting(_rgb8(picture)) for picture in pictures]
    high = max(p.shape[0] for p in shown)
    parts = [np.pad(p, ((0, high - p.shape[0]), (0, GAP), (0, 0)), constant_values=GROUND) for p in shown]
    with claimed(path, originals=originals) as partial, partial.open("wb") as file:
        Image.fromarray(np.concatenate(parts, axis=1)[:, :-GAP]).save(file, format="PNG")


def as_codes(light: Floats) -> NDArray[np.uint8]:
    """(h, w, c) linear light as 8-bit sRGB codes, for looking at."""
    return np.rint(srgb_encode(np.clip(light, 0, 1).astype(np.float64)) * 255).astype(np.uint8)


def outlined(light: Floats, corners: NDArray[np.float64]) -> NDArray[np.uint8]:
    """(h, w, 3) codes of light with a quadrilateral (4, 2) px drawn in."""
    codes = _rgb8(as_codes(light)).copy()
    cv2.polylines(codes, [np.rint(corners).astype(np.int32)], True, (214, 40, 40), 2, cv2.LINE_AA)
    return codes


def _rgb8(pixels: Pixels) -> NDArray[np.uint8]:
    codes = eight_bit(pixels)
    codes = codes.reshape(*codes.shape[:2], -1)
    return np.ascontiguousarray(np.repeat(codes[..., :1], 3, axis=2) if codes.shape[2] < 3 else codes[..., :3])


def _fitting(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    longest = max(picture.shape[:2])
    if longest > SIDE:
        size = tuple(max(1, round(s * SIDE / longest)) for s in picture.shape[1::-1])
        return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
    times = max(1, SIDE // longest)
    return np.asarray(np.repeat(np.repeat(picture, times, axis=0), times, axis=1), np.uint8)
