"""I open photographs for work on a plane: their reduced views, tone curves, and windows.

In: paths in the user's order. Out: open `Photo`s; close them by leaving the `with` block.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.core.errors import CanvasTooLarge, MixedTiles
from stitchbed.imaging.depth import eight_bit
from stitchbed.imaging.sample import look_up
from stitchbed.imaging.transfer import Transfer, transfer_of
from stitchbed.reading.base.tile import Tile
from stitchbed.reading.formats import MEMORY, open_windows
from stitchbed.reading.intake import take_in
from stitchbed.reading.windows import Windows

LONGEST_VIEW = 8192  # px; cards are sought in a view no longer than this
ALIKE = 0.02  # by which white balances of raw photographs may differ: less than a step of a color temperature dial


VIEWS_SHARE = 0.8  # of the memory, for the views of all photos


@dataclass(frozen=True)
class Photo:
    """An open picture. small : (h, w, channels) uint8 view, each pixel the mean of `reduction` squared px."""

    tile: Tile
    windows: Windows
    transfer: Transfer
    reduction: int
    small: NDArray[np.uint8]

    @property
    def size(self) -> tuple[int, int]:
        """(height, width) px."""
        return self.tile.raster.shape[:2]


@contextmanager
def opened(paths: Sequence[Path], *, memory: int = MEMORY) -> Iterator[tuple[tuple[Photo, ...], list[str]]]:
    """The pictures in the order given, and warnings. memory : bytes the whole job may take.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : see `take_in`.
    """
    with ExitStack() as stack:
        photos: list[Photo] = []
        warnings: list[str] = []
        held = 0
        for path in paths:
            tiles, notes = take_in([path], memory=memory)
            warnings += notes
            held += sum(_view_bytes(tile) for tile in tiles)
            if held > VIEWS_SHARE * memory:
                raise CanvasTooLarge(
                    f"{len(paths)} photos, of which views of more than {held / 2**20:.0f} MiB are kept at hand",
                    expected=f"at most {VIEWS_SHARE * memory / 2**20:.0f} of the {memory / 2**20:.0f} MiB to work in",
                    attempt="more --memory, fewer photos, or smaller ones",
                )
            photos += [_opened(tile, stack, memory) for tile in tiles]
        yield tuple(photos), [*warnings, *_white_balances(photos)]


def _white_balances(photos: Sequence[Photo]) -> list[str]:
    """A warning when raw photographs of one work were developed by different white balances."""
    whites = np.array([photo.tile.raster.white for photo in photos if photo.tile.raster.white is not None])
    if not whites.size or np.ptp(whites, axis=0).max() <= ALIKE * whites.max():
        return []
    (red, blue), (most_red, most_blue) = whites.min(axis=0), whites.max(axis=0)
    span = f"red {red:.2f} to {most_red:.2f}, blue {blue:.2f} to {most_blue:.2f}"
    return [f"the raw photographs were taken with different white balance ({span}): set one for all in the camera"]


def demand_color(photo: Photo) -> None:
    """Refuse a picture in which no color can be told.

    Raises
    ------
    MixedTiles : a gray picture.
    """
    if photo.tile.raster.shape[2] != 3:
        raise MixedTiles(
            f"{photo.tile.name} is a gray picture",
            expected="a color picture",
            attempt="scan or export it in color",
        )


def gray_of(photo: Photo) -> NDArray[np.uint8]:
    """(h, w) uint8 of the small view."""
    if photo.small.shape[2] == 1:
        return np.ascontiguousarray(photo.small[..., 0])
    return np.asarray(cv2.cvtColor(photo.small, cv2.COLOR_RGB2GRAY), np.uint8)


def full_px(photo: Photo, xy: Array) -> Array:
    """Small view px (..., 2) -> photo px."""
    return (xy + 0.5) * photo.reduction - 0.5


def small_px(photo: Photo, xy: Array) -> Array:
    """Photo px (..., 2) -> small view px."""
    return (xy + 0.5) / photo.reduction - 0.5


def read_small(photo: Photo, xy: Array) -> Array:
    """Stored values 0..1 of the small view at photo points (..., 2) px."""
    return look_up(photo.small, small_px(photo, xy)) / 255


def light_of(photo: Photo, stored: Array) -> Array:
    """Linear light of stored values (..., channels) 0..1 that `read_small` found, between codes too."""
    table = photo.transfer.decode16
    codes = np.rint(np.clip(np.nan_to_num(stored), 0, 1) * (len(table) - 1)).astype(np.int64)
    light = table[codes] if table.ndim == 1 else np.take_along_axis(table, codes.reshape(-1, table.shape[1]), axis=0)
    return np.asarray(light.reshape(stored.shape), dtype=np.float64)


def _opened(tile: Tile, stack: ExitStack, memory: int) -> Photo:
    windows = stack.enter_context(open_windows(tile.path, memory=memory))
    reduction = _reduction(tile)
    view: Any = windows.view(reduction)
    small = eight_bit(view)
    return Photo(tile, windows, transfer_of(tile.raster.icc), reduction, small)


def _reduction(tile: Tile) -> int:
    return -(-max(tile.raster.shape[:2]) // LONGEST_VIEW)


def _view_bytes(tile: Tile) -> int:
    rows, cols, channels = tile.raster.shape
    return rows * cols * channels // _reduction(tile) ** 2
