"""I tell what a sensor or a driver did from a few bands of rows, where a scan is not looked at as a whole.

In: windows of stored pixels. Out: frozen values.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Floats, Pixels
from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import gray_of, least_of
from stitchbed.inspection.quality import calm_noise, clipped_each
from stitchbed.inspection.sensor.ends import BLACK, BROKEN_ROWS, black_end, breaks_off, few_tones
from stitchbed.inspection.sensor.lines import SEGMENTS, columns_of
from stitchbed.matching.laid_over import from_ends

BAND_ROWS = 24  # px; their median is good to a third of a gray level
RIM_LINE = 1.5 / BAND_ROWS  # of a square's px at full black: less is the rim of a dark sheet, as scanners sharpen it
PILED, PILED_IN = 0.1, 0.14  # of a square's px at full white; of the squares: cut-off washes have .2, good scans .006
FULL = 0.95  # of a square that is white: no drawing
DRAWN, LEAST_DRAWN = 5.0, 12  # gray levels, sd of a square with drawing; squares that say something
CALM_IN = 4  # parts of a band, the calmest square of each of which tells of noise: paper, mostly


@dataclass(frozen=True)
class Banded:
    """What the `bands` of a scan tell. columns : px, that a dead cell wrote. tones, ended : as tones and black of
    `Sensed`. black, white : shares cut off around drawing. noise : gray levels, None where all lies at an end.
    """

    columns: tuple[int, ...] = ()
    tones: int | None = None
    ended: tuple[str, float] | None = None
    black: float = 0.0
    white: float = 0.0
    noise: float | None = None


def bands(window: Callable[[Box], Pixels], shape: tuple[int, ...]) -> list[Pixels]:
    """A few bands of rows of a scan of (rows, cols, ...), spread over it, so that what a sensor did is seen without a
    second look at the whole; none of a small one. window : stored pixels of a box.
    """
    rows, cols = shape[:2]
    if rows < SEGMENTS * BAND_ROWS:
        return []
    return [window(Box(start, 0, BAND_ROWS, cols)) for start in _band_starts(rows)]


def _band_starts(rows: int) -> list[int]:
    return list(map(int, np.linspace(0, rows - BAND_ROWS, SEGMENTS)))


def banded(window: Callable[[Box], Pixels], shape: tuple[int, ...], bits: int) -> Banded:
    """All that bands of a scan tell; nothing of a small one. window, shape : see `bands`. bits : per channel."""
    read = bands(window, shape)
    if not read:
        return Banded()
    grays = [gray_of(band) for band in read]
    columns = tuple(streak.at for streak in columns_of(np.concatenate(grays), 1))
    tones = few_tones(read) if bits > 1 else None
    return Banded(columns, tones, _black_end(grays, window, shape), *cut_off(read), _band_noise(read))


def _black_end(
    grays: Sequence[Floats], window: Callable[[Box], Pixels], shape: tuple[int, ...]
) -> tuple[str, float] | None:
    """See `black_end`; rows between the last band that is black and the first that is not are read for it."""
    black = [bool(gray.max() < BLACK) for gray in grays]
    if all(black) or not (black[0] or black[-1]):
        return black_end(np.concatenate(grays))
    starts = _band_starts(shape[0])
    last = black.index(False) if black[0] else len(black) - 1 - black[::-1].index(False)
    first, end = (starts[last - 1], starts[last]) if black[0] else (starts[last], starts[last + 1])
    first, end = max(0, first - BROKEN_ROWS), min(shape[0], end + BROKEN_ROWS)
    between = gray_of(window(Box(first, 0, end - first, shape[1])))[:: 1 if black[0] else -1]
    length = from_ends(between.max(1) < BLACK)[0]
    rows = length + (first if black[0] else shape[0] - end)
    return ("top" if black[0] else "bottom", rows / shape[0]) if breaks_off(between[length:]) else None


def cut_off(read: Sequence[Pixels]) -> tuple[float, float]:
    """Shares of pixels at full black, at full white, where there is drawing, in `bands`; of black without squares in
    which it is a mere line, of white 0 where it is so in few of the squares, as where a few strokes reach the end.
    """
    shares = np.concatenate([np.zeros((0, 2)), *(clipped_each(drawn) for drawn in _drawn_squares(read) if len(drawn))])
    if len(shares) < LEAST_DRAWN:
        return 0.0, 0.0
    black, white = float((shares[:, 0] * (shares[:, 0] > RIM_LINE)).mean()), float(shares[:, 1].mean())
    return black, white if (shares[:, 1] > PILED).mean() >= PILED_IN else 0.0


def _band_noise(read: Sequence[Pixels]) -> float | None:
    """Surely, of the calmest squares of `bands`, but for those at an end of the range, where noise is cut off."""
    found = []
    for band in read:
        squares = _squares(band)
        grays = _square_grays(band)[clipped_each(squares).max(1, initial=0) < PILED]
        spreads = grays.std((1, 2))
        step = max(1, -(-len(grays) // CALM_IN))
        for start in range(0, len(grays), step):
            found.append(grays[start + int(spreads[start : start + step].argmin())])
    return calm_noise(found)[1] if found else None


def _squares(band: Pixels) -> Pixels:
    """(n, BAND_ROWS, BAND_ROWS, c) of a band, side by side."""
    count, channels = band.shape[1] // BAND_ROWS, band.shape[2]
    return band[:, : count * BAND_ROWS].reshape(len(band), count, BAND_ROWS, channels).swapaxes(0, 1)


def _square_grays(band: Pixels) -> Floats:
    """(n, BAND_ROWS, BAND_ROWS) gray of the same."""
    return np.ascontiguousarray(_squares(gray_of(band)[..., None])[..., 0])


def _drawn_squares(read: Sequence[Pixels]) -> Iterator[Pixels]:
    """Of each band squares in which tones differ, but for white at both ends, as of a lid, and the square beside it."""
    for band in read:
        squares = _squares(band)
        white = least_of(band) == np.iinfo(band.dtype).max
        full = _squares(white[..., None]).mean((1, 2, 3)) > FULL
        inner = np.flatnonzero(~full)
        if len(inner):
            first, last = (int(at) for at in inner[[0, -1]])
            between = slice(first + bool(first), last + 1 - (last < len(squares) - 1))
            yield squares[between][_square_grays(band)[between].std((1, 2)) > DRAWN]
