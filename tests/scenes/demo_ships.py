"""I am what swims or flies on the demonstration map: ships, boats, a whale, gulls.

In: the desk, a place on the water line (mm) and a size. Out: washes and ink; a hull first clears its ground.
"""

from __future__ import annotations

import demo_pens as pens
import numpy as np
from demo_figures import BRASS, BRICK, SAIL, SHADE, SLATE, TAR, paint, smoke
from demo_pens import Desk


def ship(desk: Desk, x: float, y: float, s: float = 1.0, *, way: float = 1.0) -> None:
    """A two-masted sailing ship, bow to the right for way 1, to the left for -1; water line at (x, y)."""

    def at(u: float, v: float) -> tuple[float, float]:
        return (x + way * u * s, y + v * s)

    reflection = [at(-9, 0.6), at(9, 0.6), at(6, 3.2), at(-6, 2.6)]
    pens.wash(desk, pens.mask_of(desk, [np.array(reflection)], [150]), pigment=SHADE, edge=0.1, ragged=0.7)
    sails = [[at(-6.5, -3.4), at(-1.5, -3.8), at(-2.4, -14.5), at(-6.2, -11)],
             [at(0.4, -3.8), at(5.2, -3.6), at(4.2, -11.5), at(0.2, -16.5)],
             [at(6, -3.5), at(11.5, -3.2), at(4.6, -14)], [at(-2.1, -15), at(-0.2, -16.8), at(0, -18.5)]]  # fmt: skip
    for mast, top in ((-1.9, -18.5), (3.9, -18)):
        pens.pen(desk, [at(mast, -2), at(mast, top)], width=0.42)
        pens.ticks(desk, [at(mast, top)], ends=[at(mast - 2.6, top + 0.7)], width=0.8, ink="red", point=0.2)
    for i, sail in enumerate(sails[:3]):
        bulge = pens.curve(np.vstack([sail, sail[:1]]), 0.5)
        paint(desk, bulge, SAIL if i != 1 else BRICK, 200 if i != 1 else 110, ink=0.26)
        middle = (np.array(sail[0]) + sail[1]) / 2
        pens.ticks(
            desk,
            [middle + [0.6 * way * s, -1 * s]] * 2,
            ends=[np.array(sail[2]) + [0, 1.5 * s], np.array(sail[-1]) + [1 * way * s, 2 * s]],
            width=0.14,
        )
    hull = pens.curve([at(-9, -3.4), at(-8.2, 0.4), at(-3, 1), at(5, 1), at(8, 0), at(10.5, -3.2)], 0.6)
    deck = pens.curve([at(10.5, -3.2), at(4, -2.2), at(-4, -2.2), at(-9, -3.4)], 0.6)
    paint(desk, np.vstack([hull, deck]), TAR, 190)
    pens.pen(desk, deck + [0, 0.9 * s], width=0.22)
    pens.pen(desk, [at(10, -3), at(14.5, -5)], width=0.34, taper=0.2)
    pens.ticks(desk, [at(14.5, -5), at(-9, -3.4)], ends=[at(3.9, -17.5), at(-1.9, -17.5)], width=0.12)
    for i in range(5):
        pens.ticks(
            desk, [at(-10 + 4.4 * i, 1.6 + 0.5 * (i % 2))], ends=[at(-7.6 + 4.4 * i, 1.5)], width=0.24, ink="blue"
        )


def steamer(desk: Desk, x: float, y: float, s: float = 1.0, *, way: float = 1.0) -> None:
    """A small steamer with a tall funnel."""

    def at(u: float, v: float) -> tuple[float, float]:
        return (x + way * u * s, y + v * s)

    hull = pens.curve([at(-8, -2.6), at(-7.4, 0.5), at(0, 0.9), at(6.4, 0.5), at(8.6, -3)], 0.6)
    paint(desk, np.vstack([hull, pens.curve([at(8.6, -3), at(2, -1.9), at(-8, -2.6)], 0.6)]), BRICK, 230)
    paint(desk, [at(-5, -2.2), at(3.6, -2.2), at(3.2, -4.4), at(-4.6, -4.4)], SAIL, 120)
    pens.dots(desk, [at(-3.6 + 1.5 * i, -3.3) for i in range(5)], radius=0.34 * s)
    paint(desk, [at(-1.4, -4.4), at(0.5, -4.4), at(0.4, -10), at(-1.3, -10)], TAR, 235)
    pens.ticks(desk, [at(-1.3, -8.4)], ends=[at(0.4, -8.4)], width=0.8 * s, ink="red", point=1)
    pens.pen(desk, [at(5, -2.4), at(5, -9)], width=0.3)
    smoke(desk, x - 0.4 * way * s, y - 10.6 * s, 1.05 * s)
    for i in range(4):
        pens.ticks(desk, [at(-12 + 5 * i, 1.7)], ends=[at(-9 + 5 * i, 1.6)], width=0.24, ink="blue")


def boat(desk: Desk, x: float, y: float, angle: float, size: float = 3.4) -> None:
    """A rowing boat seen from above."""
    c, s = np.cos(angle), np.sin(angle)
    shape = np.array([(-1, 0), (-0.7, 0.34), (0.2, 0.36), (1, 0), (0.2, -0.36), (-0.7, -0.34)]) * size / 2
    rim = pens.curve(shape @ np.array([[c, s], [-s, c]]) + [x, y], 0.3, closed=True)
    paint(desk, rim, BRASS, 160, ink=0.24)
    across = np.array([(-0.35, -0.3), (-0.35, 0.3), (0.2, -0.3), (0.2, 0.3)]) * size / 2 @ np.array(
        [[c, s], [-s, c]]
    ) + [x, y]
    pens.ticks(desk, across[::2], ends=across[1::2], width=0.22, point=1)


def whale(desk: Desk, x: float, y: float, s: float = 1.0) -> None:
    """A whale's back, tail and spout."""
    back = pens.curve(
        [
            (x - 11 * s, y),
            (x - 8 * s, y - 3.4 * s),
            (x - 2 * s, y - 4.6 * s),
            (x + 3 * s, y - 2.4 * s),
            (x + 5.4 * s, y),
        ],
        0.5,
    )
    paint(desk, back, SLATE, 240, ink=0.3)
    tail = pens.curve(
        [
            (x + 8 * s, y),
            (x + 9.4 * s, y - 3.4 * s),
            (x + 6.4 * s, y - 6.4 * s),
            (x + 9.8 * s, y - 5.4 * s),
            (x + 13.6 * s, y - 7 * s),
            (x + 11.2 * s, y - 3.4 * s),
            (x + 10.2 * s, y),
        ],
        0.4,
    )
    paint(desk, tail, SLATE, 240, ink=0.3)
    for side in (-1, 1):
        pens.pen(
            desk,
            pens.curve(
                [
                    (x - 5.4 * s, y - 4.6 * s),
                    (x - 5.4 * s + side * 0.8 * s, y - 8.4 * s),
                    (x - 5.4 * s + side * 3 * s, y - 8.6 * s),
                    (x - 5.4 * s + side * 3.6 * s, y - 6.8 * s),
                ],
                0.4,
            ),
            width=0.3,
            ink="blue",
        )
    pens.dots(desk, [(x - 8.6 * s, y - 1.7 * s)], radius=0.35 * s)
    for i in range(7):
        pens.ticks(
            desk,
            [(x + (-13 + 4.2 * i) * s, y + (0.7 + 0.5 * (i % 2)) * s)],
            ends=[(x + (-10.4 + 4.2 * i) * s, y + (0.6 + 0.5 * (i % 2)) * s)],
            width=0.24,
            ink="blue",
        )


def gull(desk: Desk, x: float, y: float, s: float = 1.0) -> None:
    """A gull far off."""
    pens.pen(
        desk,
        pens.curve(
            [
                (x - 2.2 * s, y - 0.3 * s),
                (x - 1.1 * s, y - 1 * s),
                (x, y),
                (x + 1.1 * s, y - 1 * s),
                (x + 2.2 * s, y - 0.4 * s),
            ],
            0.3,
        ),
        width=0.26,
        taper=0.3,
    )
