"""I am the small buildings on the demonstration map: churches, halls, mill, lighthouse, kilns, cranes.

In: the desk, a place (mm) and a size. Out: washes and ink; a building first clears the ground it stands on.
"""

from __future__ import annotations

import demo_pens as pens
import numpy as np
from demo_pens import Desk, Points
from numpy.typing import ArrayLike

STONE, BRICK, SLATE, TAR = (0.10, 0.15, 0.30), (0.10, 0.62, 0.85), (0.45, 0.36, 0.24), (0.9, 0.85, 0.75)
SAIL, SHADE, BRASS, GREEN = (0.04, 0.08, 0.22), (0.35, 0.30, 0.20), (0.05, 0.30, 0.95), (0.75, 0.28, 0.42)


def paint(
    desk: Desk, shape: ArrayLike, pigment: ArrayLike, strength: int = 220, *, clear: bool = True, ink: float = 0.28
) -> None:
    """One part of a picture: clear the ground, lay a wash, draw the outline."""
    polygon = np.asarray(shape, np.float64)
    mask = pens.mask_of(desk, [polygon])
    if clear:
        pens.cover(desk, mask)
    if strength:
        pens.wash(desk, pens.mask_of(desk, [polygon], [strength]), pigment=pigment, edge=0.7, ragged=0.05, rough=0.7)
    if ink:
        if len(polygon) > 8:
            pens.pen(desk, np.vstack([polygon, polygon[:1]]), width=ink, shake=0.03)
        else:
            pens.outline(desk, polygon, width=ink)


def box(x: float, y: float, w: float, h: float) -> Points:
    """Rectangle standing on (x..x+w, y) and reaching up by h."""
    return np.array([(x, y), (x + w, y), (x + w, y - h), (x, y - h)], np.float64)


def windows(desk: Desk, x: float, y: float, *, across: int, down: int, step: tuple[float, float]) -> None:
    """Rows of small dark windows from the upper left one at (x, y)."""
    cols, rows = np.meshgrid(np.arange(across), np.arange(down))
    top = np.stack([x + cols.ravel() * step[0], y + rows.ravel() * step[1]], 1)
    pens.ticks(desk, top, ends=top + [0, 0.5 * step[1]], width=0.36 * step[0], point=1)


def shadow(desk: Desk, x: float, y: float, w: float) -> None:
    """A soft cast shadow to the right of a building standing on y."""
    patch = np.array([(x, y), (x + w, y), (x + w * 1.55, y + 1.2), (x + w * 0.5, y + 1.4)])
    pens.wash(desk, pens.mask_of(desk, [patch], [170]), pigment=SHADE, edge=0.1, ragged=0.2)


def church(desk: Desk, x: float, y: float, s: float = 1.0) -> None:
    """Nave, tower and spire with a weathercock; stands on (x, y)."""
    shadow(desk, x - 2 * s, y, 13 * s)
    paint(desk, box(x, y, 11 * s, 5.2 * s), STONE)
    roof = np.array(
        [(x - 0.4 * s, y - 5.2 * s), (x + 11.6 * s, y - 5.2 * s), (x + 10.2 * s, y - 9 * s), (x + 0.5 * s, y - 9 * s)]
    )
    paint(desk, roof, SLATE)
    pens.hatch(desk, roof, angle=1.75, gap=0.9 * s, width=0.15)
    windows(desk, x + 2 * s, y - 3.9 * s, across=4, down=1, step=(2.3 * s, 4 * s))
    paint(desk, box(x - 4 * s, y, 4.4 * s, 13 * s), STONE)
    spire = np.array([(x - 4.5 * s, y - 13 * s), (x + 0.9 * s, y - 13 * s), (x - 1.8 * s, y - 25 * s)])
    paint(desk, spire, GREEN)
    pens.hatch(
        desk,
        [(x - 1.8 * s, y - 13 * s), (x + 0.9 * s, y - 13 * s), (x - 1.8 * s, y - 25 * s)],
        angle=0.1,
        gap=0.8 * s,
        width=0.16,
    )
    pens.hatch(desk, box(x - 1.2 * s, y, 1.6 * s, 13 * s), angle=0.0, gap=0.8 * s, width=0.15)
    windows(desk, x - 2.8 * s, y - 11.4 * s, across=2, down=1, step=(1.5 * s, 3.4 * s))
    pens.pen(desk, [(x - 1.8 * s, y - 25 * s), (x - 1.8 * s, y - 28 * s)], width=0.26)
    pens.ticks(desk, [(x - 2.7 * s, y - 26.8 * s)], ends=[(x - 0.9 * s, y - 26.8 * s)], width=0.4)


def hall(desk: Desk, x: float, y: float, s: float = 1.0) -> None:
    """The market hall: arcade, steep roof, clock turret; middle of its foot at (x, y)."""
    shadow(desk, x - 8 * s, y, 17 * s)
    paint(desk, box(x - 8 * s, y, 16 * s, 6.5 * s), BRASS, 130)
    for i in range(5):
        left = x + (-7 + 3 * i) * s
        arch = pens.curve(
            [
                (left, y),
                (left, y - 2.4 * s),
                (left + 1 * s, y - 3.4 * s),
                (left + 2 * s, y - 2.4 * s),
                (left + 2 * s, y),
            ],
            0.4,
        )
        pens.wash(desk, pens.mask_of(desk, [arch], [255]), pigment=TAR, edge=0.2, ragged=0.02)
        pens.pen(desk, arch, width=0.24, shake=0.03)
    windows(desk, x - 6.3 * s, y - 5.8 * s, across=6, down=1, step=(2.5 * s, 2.2 * s))
    roof = np.array(
        [(x - 8.6 * s, y - 6.5 * s), (x + 8.6 * s, y - 6.5 * s), (x + 6 * s, y - 11.5 * s), (x - 6 * s, y - 11.5 * s)]
    )
    paint(desk, roof, BRICK)
    pens.hatch(desk, roof, angle=1.45, gap=0.8 * s, width=0.14)
    paint(desk, box(x - 1.7 * s, y - 11.2 * s, 3.4 * s, 5.4 * s), STONE)
    paint(desk, [(x - 2.2 * s, y - 16.6 * s), (x + 2.2 * s, y - 16.6 * s), (x, y - 21 * s)], GREEN)
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    paint(desk, np.stack([x + 1.1 * s * np.cos(turn), y - 14 * s + 1.1 * s * np.sin(turn)], 1), SAIL, 60)
    pens.ticks(desk, [(x, y - 14 * s)] * 2, ends=[(x, y - 14.8 * s), (x + 0.6 * s, y - 13.7 * s)], width=0.22)


def mill(desk: Desk, x: float, y: float, s: float = 1.0) -> None:
    """A windmill on its hill."""
    shadow(desk, x - 3 * s, y, 7 * s)
    paint(desk, [(x - 3 * s, y), (x + 3 * s, y), (x + 1.9 * s, y - 9 * s), (x - 1.9 * s, y - 9 * s)], STONE, 150)
    pens.hatch(
        desk,
        [(x + 0.8 * s, y), (x + 3 * s, y), (x + 1.9 * s, y - 9 * s), (x + 0.6 * s, y - 9 * s)],
        angle=0.0,
        gap=0.8 * s,
        width=0.15,
    )
    paint(
        desk,
        pens.curve(
            [
                (x - 2.3 * s, y - 9 * s),
                (x - 1.4 * s, y - 11 * s),
                (x, y - 11.8 * s),
                (x + 1.4 * s, y - 11 * s),
                (x + 2.3 * s, y - 9 * s),
            ],
            0.4,
        ),
        BRICK,
    )
    hub = np.array([x - 0.2 * s, y - 10 * s])
    for quarter in range(4):
        a = 0.5 + quarter * np.pi / 2
        d, n = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
        sail = np.array(
            [hub + d * 1.6 * s, hub + d * 8 * s, hub + d * 8 * s + n * 1.7 * s, hub + d * 1.6 * s + n * 1.7 * s]
        )
        paint(desk, sail, SAIL, 160, ink=0.2)
        pens.hatch(desk, sail, angle=a + np.pi / 2, gap=1.0 * s, width=0.15)
        pens.pen(desk, [hub, hub + d * 8.4 * s], width=0.34)
    windows(desk, x - 0.4 * s, y - 6.5 * s, across=1, down=2, step=(1.6 * s, 3 * s))


def lighthouse(desk: Desk, x: float, y: float, s: float = 1.0) -> None:
    """A striped lighthouse with its lamp lit."""
    for i in range(5):
        low, high = i / 5, (i + 1) / 5
        wide = [2.6 * (1 - 0.38 * low) * s, 2.6 * (1 - 0.38 * high) * s]
        band = [
            (x - wide[0], y - 18 * s * low),
            (x + wide[0], y - 18 * s * low),
            (x + wide[1], y - 18 * s * high),
            (x - wide[1], y - 18 * s * high),
        ]
        paint(desk, band, BRICK if i % 2 == 0 else SAIL, 250 if i % 2 == 0 else 60)
    pens.hatch(
        desk,
        [(x + 0.8 * s, y), (x + 2.6 * s, y), (x + 1.6 * s, y - 18 * s), (x + 0.5 * s, y - 18 * s)],
        angle=0.05,
        gap=0.8 * s,
        width=0.15,
    )
    paint(desk, box(x - 2.2 * s, y - 18 * s, 4.4 * s, 0.9 * s), TAR, 200)
    paint(desk, box(x - 1.2 * s, y - 18.9 * s, 2.4 * s, 2.4 * s), BRASS, 255)
    paint(desk, [(x - 1.6 * s, y - 21.3 * s), (x + 1.6 * s, y - 21.3 * s), (x, y - 23.8 * s)], TAR, 220)
    for a in (-2.9, -2.6, -0.55, -0.25, -3.2, 0.05):
        d = np.array([np.cos(a), np.sin(a)])
        pens.ticks(desk, [(x, y - 20 * s) + d * 3.4 * s], ends=[(x, y - 20 * s) + d * 7.5 * s], width=0.26, point=0.3)


def kiln(desk: Desk, x: float, y: float, s: float = 1.0) -> None:
    """A bottle kiln with its smoke."""
    shadow(desk, x - 2.6 * s, y, 6 * s)
    side = [(2.8, 0), (2.9, -2.4), (2.2, -5), (1.0, -7.6), (0.8, -10)]
    shape = pens.curve([(x + u * s, y + v * s) for u, v in side] + [(x - u * s, y + v * s) for u, v in side[::-1]], 0.5)
    paint(desk, shape, BRICK, 200)
    for i in range(6):
        pens.ticks(
            desk,
            [(x + 0.4 * s, y - (1 + 1.5 * i) * s)],
            ends=[(x + (2.6 - 0.34 * i) * s, y - (1.2 + 1.5 * i) * s)],
            width=0.16,
        )
    pens.wash(
        desk,
        pens.mask_of(
            desk,
            [
                np.array(
                    [
                        (x - 0.8 * s, y),
                        (x - 0.8 * s, y - 2 * s),
                        (x, y - 2.7 * s),
                        (x + 0.8 * s, y - 2 * s),
                        (x + 0.8 * s, y),
                    ]
                )
            ],
        ),
        pigment=TAR,
    )
    smoke(desk, x, y - 10.5 * s, s)


def smoke(desk: Desk, x: float, y: float, s: float) -> None:
    """Curls of smoke drifting to the right and up."""
    for i in range(4):
        at, r = np.array([x + (0.6 + 2.2 * i) * s, y - (0.6 + 1.5 * i) * s]), (0.8 + 0.38 * i) * s
        turn = np.linspace(0.4, 5.4, 14)
        pens.wash(
            desk,
            pens.mask_of(desk, [np.stack([at[0] + r * np.cos(turn), at[1] + r * np.sin(turn)], 1)], [110 - 20 * i]),
            pigment=SLATE,
            edge=0.2,
        )
        pens.pen(
            desk,
            np.stack([at[0] + r * np.cos(turn) * (1 - turn / 16), at[1] + r * np.sin(turn) * (1 - turn / 16)], 1),
            width=0.22,
            taper=0.3,
        )


def crane(desk: Desk, x: float, y: float, s: float = 1.0, *, way: float = 1.0) -> None:
    """A quay crane with a load on its hook, reaching to the right for way 1."""
    paint(desk, box(x - 1.8 * s, y, 3.6 * s, 3 * s), BRASS, 200, ink=0.26)
    pens.ticks(
        desk,
        [(x, y - 3 * s), (x - 1.6 * way * s, y - 3 * s)],
        ends=[(x + 6 * way * s, y - 10 * s), (x + 6 * way * s, y - 10 * s)],
        width=0.4,
        point=0.8,
    )
    pens.ticks(desk, [(x + 6 * way * s, y - 10 * s)], ends=[(x + 6 * way * s, y - 5 * s)], width=0.18, point=1)
    paint(desk, box(x + (6 * way - 0.9) * s, y - 3.4 * s, 1.8 * s, 1.6 * s), BRICK, 160, ink=0.24)
