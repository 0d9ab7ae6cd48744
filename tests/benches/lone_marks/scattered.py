"""I draw pages whose small marks stand apart, bent or in rows: birds, staves, star charts, leaders, fur, pebbles.

In: an empty sheet, a generator. Out: ink on it.
"""

from __future__ import annotations

import numpy as np
from ink_pages import wobbly
from lone_marks.motifs import FINEST, TURN, log_uniform, somewhere, spaced, tick, toward, wander
from lone_marks.sheets import SIDE, Sheet, dot, fill, line, write

from stitchbed.core.arrays import Array

BEND = np.linspace(-1, 1, 9)  # along a small bent stroke
STAVES, LINES_APART = (7, 18, 29, 40, 51), 1.1  # mm


def birds(sheet: Sheet, rng: np.random.Generator) -> None:
    """Hills with grass, and over them far birds and single dots, few of each."""
    for down, swell in ((45, 3), (50, 2)):
        x = np.arange(2, SIDE - 2, 0.7)
        y = down + swell * np.sin(x / (2 * swell)) + rng.normal(0, 0.1, len(x))
        line(sheet, np.stack([x, y], axis=1), rng.choice([0.2, 0.3]))
    fill(sheet, wobbly((45, 42), 3, rng, rough=0.1))
    for _ in range(rng.integers(8, 30)):
        _wings(sheet, rng, rng.uniform(4, (56, 40)))
    for at in rng.uniform(4, (56, 40), (rng.integers(5, 30), 2)):
        dot(sheet, at, log_uniform(rng, FINEST, 0.3))
    for at in rng.uniform((3, 50), SIDE - 3, (50, 2)):
        tick(sheet, at, rng.uniform(0.3, 1.2), angle=rng.normal(-TURN / 4, 0.2), width=0.12)


def _wings(sheet: Sheet, rng: np.random.Generator, at: Array) -> None:
    """Two strokes that meet, or a bow, not always upright."""
    reach, rise = log_uniform(rng, 0.15, 0.7), rng.uniform(0.3, 1)
    across, up = toward(rng.normal(0, 0.4)), toward(rng.normal(-TURN / 4, 0.4))
    height = np.abs(BEND) if rng.random() < 0.5 else BEND**2
    line(sheet, at + reach * (BEND[:, None] * across + rise * height[:, None] * up), rng.uniform(FINEST, 0.2))


def staves(sheet: Sheet, rng: np.random.Generator) -> None:
    """Music: notes with stems, dots beside and below them, a word now and then."""
    for top in STAVES:
        for n in range(5):
            line(sheet, [(4, top + n * LINES_APART), (56, top + n * LINES_APART)], 0.12)
        for x in np.arange(7, 54, 2.6) + rng.uniform(-0.5, 0.5, 19):
            note = np.array([x, top + LINES_APART / 2 * rng.integers(-2, 10)])
            fill(sheet, wobbly(note, 0.55, rng, rough=0.02))
            line(sheet, [note + (0.5, 0), note + (0.5, -3.4)], 0.13)
            if rng.random() < 0.35:
                dot(sheet, note + (1.1, -0.27), rng.uniform(0.18, 0.32))
            if rng.random() < 0.3:
                dot(sheet, note + (0, 1.2), rng.uniform(0.15, 0.28))
            if rng.random() < 0.1:
                write(sheet, "mf i.", (x, top + 7.3), 1.2)


def chart(sheet: Sheet, rng: np.random.Generator) -> None:
    """Stars of all sizes, thin lines between some, broken circles, names."""
    stars = rng.uniform(4, SIDE - 4, (rng.integers(60, 140), 2))
    for at in stars:
        dot(sheet, at, log_uniform(rng, FINEST, 0.9))
    for first in stars[:8]:
        near = stars[np.argsort(np.hypot(*(stars - first).T))[: rng.integers(3, 6)]]
        line(sheet, near, FINEST)
        write(sheet, str(rng.choice(["Oar", "Gull", "i. Keel"])), first + (0.8, 0), rng.uniform(1.3, 2))
    for radius in (10, 20, 27):
        for angle in np.arange(0, TURN, 1.7 / radius):
            line(sheet, 30 + radius * toward(angle + np.linspace(0, 1.2 / radius, 5)), FINEST)


def leaders(sheet: Sheet, rng: np.random.Generator) -> None:
    """Lines of a list with dots that lead to their numbers; below, a grid of dots."""
    pitch, size = rng.uniform(0.8, 2.6), rng.uniform(FINEST, 0.2)
    for y in np.arange(5, 40, rng.uniform(3, 4.5)):
        write(sheet, "Pilot's jetty: i.", (3, y), rng.uniform(1.3, 1.9))
        write(sheet, str(rng.integers(1, 99)), (55, y), 1.5)
        for x in np.arange(30, 54, pitch):
            dot(sheet, (x, y), size)
    apart, size = rng.choice([2.5, 4.0, 5.0]), rng.uniform(0.12, 0.2)
    for at in np.stack(np.meshgrid(np.arange(4, 57, apart), np.arange(43, 57, apart)), axis=-1).reshape(-1, 2):
        dot(sheet, at, size)


def fur(sheet: Sheet, rng: np.random.Generator) -> None:
    """Short bent hairs about an eye, the outer ones far from all."""
    for middle in rng.uniform(10, 50, (5, 2)):
        way = rng.uniform(0, TURN)
        for at in rng.normal(middle, (3.5, 2.5), (rng.integers(50, 120), 2)):
            angle, length = rng.normal(way, 0.35), rng.uniform(0.2, 1.4)
            bow = at + length / 2 * (BEND[:, None] * toward(angle) + rng.normal(0, 0.15) * (BEND**2)[:, None])
            line(sheet, bow, rng.uniform(FINEST, 0.18))
        dot(sheet, middle, 0.9)
        dot(sheet, middle - 0.15, 0.22, white=True)
        for _ in range(4):
            line(sheet, wander(rng, middle, 7, bend=0.04), FINEST)


def pebbles(sheet: Sheet, rng: np.random.Generator) -> None:
    """A shore: stones in outline, grains of sand that thin out upward, each with corners of its own."""
    for at in rng.uniform((5, 30), 55, (rng.integers(14, 26), 2)):
        line(sheet, wobbly(at, log_uniform(rng, 0.5, 2.5), rng, rough=0.1), rng.choice([0.12, 0.2]), closed=True)
    grains = np.stack([rng.uniform(3, 57, 260), 56 - np.abs(rng.normal(0, 12, 260))], axis=1)
    for at in grains[: rng.integers(60, 260)]:
        fill(sheet, wobbly(at, log_uniform(rng, 0.055, 0.14), rng, rough=0.12))
    line(sheet, np.stack([np.arange(2, 58, 0.7), 20 + rng.normal(0, 0.1, 80)], axis=1), 0.25)


def shaded(sheet: Sheet, rng: np.random.Generator) -> None:
    """Stipple of one pen that thins out, with outlines in it."""
    middles, spreads = rng.uniform(15, 45, (4, 2)), rng.uniform(4, 9, 4)
    which = rng.integers(0, 4, 1600)
    places = rng.normal(middles[which], spreads[which, None])
    size = rng.uniform(0.11, 0.24)
    for at in spaced(places[((places > 2) & (places < SIDE - 2)).all(axis=1)], 0.4):
        dot(sheet, at, max(FINEST, size * rng.uniform(0.85, 1.15)))
    for at, spread in zip(middles, spreads, strict=True):
        line(sheet, wobbly(at, 0.7 * spread, rng, rough=0.03), rng.choice([0.12, 0.15, 0.25]), closed=True)


def alone(sheet: Sheet, rng: np.random.Generator) -> None:
    """One bold face on a bare sheet, a few crumbs and drops far from it."""
    middle = somewhere(rng, 20)
    line(sheet, wobbly(middle, 12, rng, rough=0.02), 0.5, closed=True)
    for side in (-4, 4):
        dot(sheet, middle + (side, -3), 2.2)
        dot(sheet, middle + (side - 0.4, -3.5), 0.6, white=True)
    for _ in range(rng.integers(4, 30)):
        at = somewhere(rng, 3)
        if rng.random() < 0.5:
            dot(sheet, at, log_uniform(rng, FINEST, 0.4))
        elif rng.random() < 0.5:
            _wings(sheet, rng, at)
        else:
            tick(sheet, at, rng.uniform(0.3, 0.9), angle=rng.uniform(0, TURN), width=rng.uniform(FINEST, 0.25))
