"""I am the built water's edge of the demonstration map: quays and piers, river banks, moles, bridges.

In: the desk. Out: washes and ink; moles and bridges clear their ground.
"""

from __future__ import annotations

import cv2
import demo_figures as figures
import demo_pens as pens
import demo_places as places
import numpy as np
from demo_pens import Desk, Points

STONES = (0.05, 0.08, 0.17)  # density of paving


def quays(desk: Desk) -> None:
    """Paving along the water, planks on the piers."""
    edge = pens.along([(160, 187), (172, 213), (300, 211)], 1.0)
    pens.wash(
        desk,
        pens.mask_of(desk, [np.vstack([edge, (edge - [0, 12])[::-1]])], [150]),
        pigment=STONES,
        edge=0.3,
        ragged=0.5,
    )
    for corners in places.PIERS:
        pier = np.array(corners, np.float64)
        pens.wash(desk, pens.mask_of(desk, [pier], [230]), pigment=STONES, edge=0.6)
        way = pier[1] - pier[0]
        pens.hatch(desk, pier, angle=float(np.arctan2(way[1], way[0])) + np.pi / 2, gap=1.5, width=0.14, gaps=0.1)
    stones = np.stack([desk.rng.uniform(180, 298, 130), desk.rng.uniform(206.4, 209.4, 130)], 1)
    pens.ticks(desk, stones, ends=stones + [0.7, 0], width=0.16)


def river_banks(desk: Desk) -> None:
    """The river's two edges, down to where the harbor begins."""
    bank = places.banks()
    for side in (bank[: len(bank) // 2], bank[len(bank) // 2 :]):
        keep = (side[:, 1] > places.FRAME[1]) & (side[:, 1] < 199)
        pens.pen(desk, side[keep], width=0.42, shake=0.12)


def moles(desk: Desk) -> None:
    """The two arms of the harbor, each with a light at its end."""
    for mole in places.MOLES:
        way = pens.curve(mole)
        n = pens.normals(way) * 1.7
        figures.paint(desk, np.vstack([way + n, (way - n)[::-1]]), figures.STONE, 190, ink=0.34)
        stones = way[3:-3:4]
        pens.ticks(desk, stones + n[3:-3:4] * 0.8, ends=stones - n[3:-3:4] * 0.8, width=0.16)
        end = way[-1]
        figures.paint(
            desk,
            figures.box(end[0] - 1.3, end[1] + 1, 2.6, 6.4),
            figures.BRICK if mole is places.MOLES[0] else figures.GREEN,
            240,
        )
        figures.paint(desk, figures.box(end[0] - 0.9, end[1] - 5.4, 1.8, 1.7), figures.BRASS, 255)


def bridges(desk: Desk) -> None:
    """One bridge wherever a way crosses the river."""
    river = places.banks().astype(np.float32)
    for way in (places.LINES[0].way, places.LINES[2].way, pens.along([(404, 80), (452, 98)], 0.6)):
        wet = [i for i, p in enumerate(way) if cv2.pointPolygonTest(river, (float(p[0]), float(p[1])), False) > 0]
        _bridge(desk, way[wet[0] - 6], way[wet[-1] + 6])


def _bridge(desk: Desk, a: Points, b: Points) -> None:
    """A stone bridge with arches on its lower side."""
    d = (b - a) / np.hypot(*(b - a))
    n = np.array([-d[1], d[0]])
    count = int(np.hypot(*(b - a)) / 7)
    figures.paint(desk, [a - n * 2.7, b - n * 2.7, b + n * 4.6, a + n * 4.6], figures.STONE, 200, ink=0.0)
    for i in range(count):
        foot = a + (b - a) * (i + 0.14) / count
        wide = np.hypot(*(b - a)) / count * 0.72
        arch = pens.curve(
            [
                foot + n * 4.6,
                foot + d * wide * 0.2 + n * 3.4,
                foot + d * wide * 0.8 + n * 3.4,
                foot + d * wide + n * 4.6,
            ],
            0.4,
        )
        figures.paint(desk, arch, figures.SLATE, 255, ink=0.2)
    for side in (-2.7, 2.4, 2.9):
        pens.pen(desk, [a + n * side - d, b + n * side + d], width=0.36)
