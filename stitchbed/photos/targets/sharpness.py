"""I measure sharpness and color misregistration on the slanted squares of cards seen in a picture.

In: where a card lies in a picture, a way to read it in linear light. Out: one mean response, or none.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from stitchbed.card.board import Piece, Slant, slant_corners
from stitchbed.core.arrays import Array
from stitchbed.imaging.box import Box, clipped, spanning
from stitchbed.photos.targets.sfr import EdgeSfr, at_frequency, edge_sfr, falls_to, mean_response, misregistration

ALONG = 0.62  # share of a square's side that is read: its corners are not edges
RIM_MM = 0.7  # kept between what is read and the end of the ground or the square's middle
WIDEST_MM = 3.5  # read at each side of an edge
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709


@dataclass(frozen=True)
class Sharpness:
    """efficiency : frequency of 10 % contrast over half the sampling frequency, 1 = all pixels count.

    mtf50 : frequency of 50 % over half the sampling frequency. at_half : contrast at that frequency's end.
    largest : largest response. apart : px between color channels, None for gray. edges : number measured.
    """

    efficiency: float
    mtf50: float
    at_half: float
    largest: float
    apart: float | None
    edges: int


def sharpness(
    pieces: list[tuple[Piece, Callable[[Array], Array]]], light: Callable[[Box], Array], size: tuple[int, int]
) -> Sharpness | None:
    """Mean over all slanted edges of the cards; None when none can be measured.

    pieces : each with the way from its card mm (N, 2) to picture px. light : linear (h, w, channels) of a box.
    """
    edges: list[EdgeSfr] = []
    shifts: list[float] = []
    for piece, go in pieces:
        for slant in piece.slants:
            for box, upright in _boxes(slant, go, size):
                part = light(box) if upright else light(box).transpose(1, 0, 2)
                gray = part @ LUMINANCE if part.shape[2] == 3 else part[..., 0]
                edge = edge_sfr(gray)
                if edge is not None:
                    edges.append(edge)
                    shift = misregistration(part) if part.shape[2] == 3 else None
                    shifts += [] if shift is None else [shift]
    return _summary(edges, shifts) if edges else None


def _summary(edges: list[EdgeSfr], shifts: list[float]) -> Sharpness:
    response = mean_response(edges)
    apart = float(np.median(shifts)) if shifts else None
    largest = float(response[:51].max())
    return Sharpness(
        falls_to(response, 0.1) / 0.5,
        falls_to(response, 0.5) / 0.5,
        at_frequency(response, 0.5),
        largest,
        apart,
        len(edges),
    )


def _boxes(slant: Slant, go: Callable[[Array], Array], size: tuple[int, int]) -> list[tuple[Box, bool]]:
    """A box of px across each side of the square, and whether the edge stands upright in it."""
    corners = slant_corners(slant)
    rims = ((slant.height - slant.side) / 2, (slant.width - slant.side) / 2)  # beyond top/bottom, beyond left/right
    found = []
    for index in range(4):
        a, b = corners[index], corners[(index + 1) % 4]
        across = min(rims[index % 2] - RIM_MM, slant.side / 2 - RIM_MM, WIDEST_MM)
        along = (b - a) / np.linalg.norm(b - a)
        normal = np.array([-along[1], along[0]])
        ends = go(np.stack([(a + b) / 2, (a + b) / 2 + along, (a + b) / 2 + normal]))
        middle, step_along, step_across = ends[0], ends[1] - ends[0], ends[2] - ends[0]
        upright = abs(step_along[1]) > abs(step_along[0])
        half_along = ALONG * slant.side / 2 * float(np.abs(step_along).max())
        half_across = across * float(np.abs(step_across).max())
        half = (half_across, half_along) if upright else (half_along, half_across)
        low, high = np.floor(middle - half).astype(int), np.ceil(middle + half).astype(int)
        box = spanning(int(low[1]), int(low[0]), int(high[1]), int(high[0]))
        if not box.empty and clipped(box, Box(0, 0, *size)) == box:
            found.append((box, bool(upright)))
    return found
