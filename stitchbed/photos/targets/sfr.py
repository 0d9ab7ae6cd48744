"""I measure sharpness and color misregistration from slanted edges.

In: small pictures of one edge, linear light. Out: contrast kept at each frequency, cycles per pixel.

Reference: ISO 12233:2014, annex D (edge-based spatial frequency response): derivative, line fit, quarter-pixel bins,
Hamming window, correction for the derivative.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array

BINS = 4  # per pixel
FREQUENCIES: Array = np.linspace(0, 1, 101)  # cycles per pixel
MOST_LIFT = 10.0  # the derivative's correction is never larger
SMALLEST_ANGLE = np.deg2rad(1.5)  # nearly upright edges do not fill all bins
LARGEST_ANGLE = np.deg2rad(25.0)
LEAST_ROWS = 16
LEAST_STEP = 0.05  # linear light across the edge
LEAST_REACH = 4  # px on both sides of the edge in every row


@dataclass(frozen=True)
class EdgeSfr:
    """response : (101,) at FREQUENCIES, 1 at zero.

    angle : rad from upright.
    """

    response: Array
    angle: float


def edge_sfr(picture: Array) -> EdgeSfr | None:
    """Response across one nearly upright edge in a picture (rows, columns) of linear light.

    Returns None when the edge is too weak, too short, or its angle unsuited.
    """
    rows, columns = picture.shape
    light = float(np.abs(picture[:, -3:].mean() - picture[:, :3].mean()))
    if rows < LEAST_ROWS or columns < 12 or light < LEAST_STEP:
        return None
    slope, start = _edge_line(picture)
    angle = float(np.arctan(slope))
    if not SMALLEST_ANGLE <= abs(angle) <= LARGEST_ANGLE or not 4 < start + slope * rows / 2 < columns - 4:
        return None
    whole = _whole_turns(rows, slope)
    spread = _edge_spread(picture[:whole], slope, start)
    if spread is None:
        return None
    response = _response(spread, np.cos(angle))
    return EdgeSfr(response, angle)


def mean_response(edges: Sequence[EdgeSfr]) -> Array:
    """(101,) mean response of several edges."""
    return np.asarray(np.mean([edge.response for edge in edges], axis=0), dtype=np.float64)


def falls_to(response: Array, level: float) -> float:
    """Lowest frequency, cycles per pixel, at which a response falls to `level`; 1 when it stays above."""
    below = np.flatnonzero(response < level)
    if not len(below) or below[0] == 0:
        return float(FREQUENCIES[-1]) if not len(below) else 0.0
    b = below[0]
    a = b - 1
    share = (response[a] - level) / (response[a] - response[b])
    return float(FREQUENCIES[a] + share * (FREQUENCIES[b] - FREQUENCIES[a]))


def at_frequency(response: Array, frequency: float) -> float:
    """Response at a frequency, cycles per pixel."""
    return float(np.interp(frequency, FREQUENCIES, response))


def misregistration(channels: Array) -> float | None:
    """Largest distance, px, between the edge's places in the channels of a picture (rows, columns, channels)."""
    places = []
    for channel in np.moveaxis(channels, -1, 0):
        if np.abs(channel[:, -3:].mean() - channel[:, :3].mean()) < LEAST_STEP:
            return None
        slope, start = _edge_line(channel)
        places.append((start + slope * (len(channel) - 1) / 2) * np.cos(np.arctan(slope)))
    return float(max(places) - min(places))


def _edge_line(picture: Array) -> tuple[float, float]:
    """(slope px per row, place at row 0) of the edge: centers of the rows' derivatives, weighted near a first line."""
    rows, columns = picture.shape
    steep = np.zeros_like(picture)
    steep[:, 1:-1] = (picture[:, 2:] - picture[:, :-2]) / 2
    sign = np.sign(steep.sum())
    steep = np.maximum(sign * steep, 0)
    x, y = np.arange(columns), np.arange(rows)
    middle = np.full(rows, (columns - 1) / 2)
    reach = columns / 2.0
    for _ in range(4):
        away = (x[None] - middle[:, None]) / reach
        window = np.where(np.abs(away) < 1, 0.54 + 0.46 * np.cos(np.pi * away), 0)
        weight = (steep * window).sum(1) + 1e-12
        centers = (steep * window * x).sum(1) / weight
        slope, start = np.polyfit(y, centers, 1, w=np.sqrt(weight))
        middle = start + slope * y
        reach = max(6.0, columns / 4)
    return float(slope), float(start)


def _whole_turns(rows: int, slope: float) -> int:
    """Rows after which the edge has crossed a whole number of pixels, so that all bins are filled alike."""
    crossings = int(np.floor(rows * abs(slope)))
    return round(crossings / abs(slope)) if crossings >= 1 else rows


def _edge_spread(picture: Array, slope: float, start: float) -> Array | None:
    """Edge profile in quarter-pixel bins along the row direction; None when a bin near the edge stays empty."""
    rows, columns = picture.shape
    away = np.arange(columns)[None] - (start + slope * np.arange(rows)[:, None])
    reach = int(np.floor(min(start + min(0.0, slope * rows), columns - 1 - start - max(0.0, slope * rows))))
    if reach < LEAST_REACH:  # a slant that runs out of its window, as where a shadow passes for the edge
        return None
    bins = np.rint(away * BINS).astype(int) + reach * BINS
    inside = (bins >= 0) & (bins <= 2 * reach * BINS)
    count = np.bincount(bins[inside], minlength=2 * reach * BINS + 1)
    total = np.bincount(bins[inside], weights=picture[inside], minlength=2 * reach * BINS + 1)
    if np.any(count == 0):
        return None
    return np.asarray(total / count, dtype=np.float64)


def _response(spread: Array, cosine: float) -> Array:
    """Normalized, derivative-corrected amplitude at FREQUENCIES; `cosine` turns the row direction to the normal."""
    line = np.zeros_like(spread)
    line[1:-1] = (spread[2:] - spread[:-2]) / 2
    index = np.arange(len(line))
    center = float((np.abs(line) ** 2 * index).sum() / (np.abs(line) ** 2).sum())
    reach = min(center, len(line) - 1 - center)
    away = (index - center) / reach
    line = line * np.where(np.abs(away) <= 1, 0.54 + 0.46 * np.cos(np.pi * away), 0)
    along_row = FREQUENCIES / BINS * cosine  # cycles per bin
    wave = np.exp(-2j * np.pi * along_row[:, None] * index[None]) @ line
    amplitude = np.abs(wave) / np.abs(wave[0])
    # [-1/2 0 1/2] at quarter pixels passes sin(2 pi f): at u cycles per pixel that is sinc of u / 2
    half = np.pi * FREQUENCIES * cosine / 2
    lift = np.ones_like(half)
    lift[1:] = np.minimum(half[1:] / np.maximum(np.sin(half[1:]), 1e-9), MOST_LIFT)
    return np.asarray(amplitude * lift, dtype=np.float64)
