"""I draw pages that show something: a night sky with eyes, comic figures, a map of trams, plants.

In: an empty sheet, a generator. Out: ink on it.
"""

from __future__ import annotations

import numpy as np
from ink_pages import wobbly
from lone_marks.motifs import (
    FINEST,
    TURN,
    dotted_line,
    log_uniform,
    lone_mark,
    single_dots,
    somewhere,
    spaced,
    tick,
    toward,
    wander,
)
from lone_marks.sheets import SIDE, Sheet, box, dot, fill, line, taper, write

from stitchbed.core.arrays import Array

HATCHINGS = (((31, 14), 0.35, 0.12, (0.3,)), ((41, 14), 0.45, 0.2, (-0.2, 1.2)), ((50, 14), 0.55, 0.3, (0.6, 2.0)))
HEIGHTS = (1.2, 1.6, 2.2, 3.0)  # of lettering
ROWS = (0.1, 0.12, 0.15, 0.2, 0.3)  # of dots, their diameters
NAMES = ("Mole End", "St. Quill", "Pier 3: N.", "Old Hythe", "i. d. Wiek")


def night(sheet: Sheet, rng: np.random.Generator) -> None:
    """A black sky with stars, eyes, windows, hatching, lettering, rows of dots, stipple, single marks."""
    _sky(sheet, rng)
    _eyes_and_windows(sheet, rng)
    for corner, pitch, width, angles in HATCHINGS:
        for angle in angles:
            _hatched(sheet, rng, np.array(corner), pitch, width=width, angle=angle)
    for n, height in enumerate(HEIGHTS):
        write(sheet, "a harbor; eeoo go, i.. 86 B & tides", (4, 25 + 3.6 * n), height)
    for n, size in enumerate(ROWS):
        for x in 4 + 0.9 * np.arange(25):
            dot(sheet, rng.normal((x, 38 + 1.1 * n), 0.02), size)
    for at in spaced(rng.uniform((32, 36), (56, 46), (700, 2)), 0.55)[:260]:
        dot(sheet, at, log_uniform(rng, FINEST, 0.35))
    for _ in range(60):
        lone_mark(sheet, rng, rng.uniform((3, 47), (57, 57)), dots=0.5, largest=0.4, lengths=(0.3, 1.5))


def _sky(sheet: Sheet, rng: np.random.Generator) -> None:
    fill(sheet, box(3, 3, 25, 17))
    for _ in range(110):
        dot(sheet, rng.uniform((3.6, 3.6), (27.4, 19.4)), log_uniform(rng, FINEST, 0.5), white=True)
    for _ in range(8):
        star, reach = rng.uniform((5, 5), (26, 18)), rng.uniform(0.3, 0.8)
        for way in (np.array([reach, 0]), np.array([0, reach])):
            line(sheet, [star - way, star + way], FINEST, white=True)


def _eyes_and_windows(sheet: Sheet, rng: np.random.Generator) -> None:
    """Small solids with a light in each."""
    for x in 32 + 4.2 * np.arange(6):
        eye = np.array([x, 6])
        fill(sheet, wobbly(eye, rng.uniform(0.7, 1.6), rng, rough=0.03))
        dot(sheet, eye - 0.25, rng.uniform(0.15, 0.45), white=True)
        dot(sheet, eye + (0.3, 0.2), rng.uniform(FINEST, 0.2), white=True)
    for x in 31 + 2.2 * np.arange(12):
        side = rng.uniform(0.5, 1.4)
        pane = rng.uniform(0.12, 0.4) * side
        fill(sheet, box(x, 10.5, side, side))
        fill(sheet, box(x + (side - pane) / 2, 10.5 + (side - pane) / 2, pane, pane), white=True)


def _hatched(
    sheet: Sheet, rng: np.random.Generator, corner: Array, pitch: float, *, width: float, angle: float
) -> None:
    """Parallel strokes, by hand, kept within 8 x 7.5 mm."""
    along, across = toward(angle), toward(angle + np.pi / 2)
    for off in np.arange(-6, 6, pitch):
        middle = corner + 3.5 + across * off
        ends = (middle - along * rng.uniform(3, 3.6), middle + along * rng.uniform(3, 3.6))
        stroke = np.clip([ends[0], rng.normal(middle, 0.05), ends[1]], corner, corner + (8, 7.5))
        line(sheet, stroke, width * rng.uniform(0.85, 1.1))


def comic(sheet: Sheet, rng: np.random.Generator) -> None:
    """A frame, long lines of many pens, faces, dotted lines, rain, stipple, words, splashes."""
    line(sheet, box(2, 2, SIDE - 4, SIDE - 4), rng.choice([0.3, 0.5]), closed=True)
    for _ in range(14):
        pen = rng.choice([0.1, 0.15, 0.2, 0.3, 0.5])
        line(sheet, wander(rng, somewhere(rng, 8), rng.uniform(8, 25), bend=0.25), pen)
    for _ in range(5):
        _face(sheet, rng)
    for _ in range(6):
        dotted_line(sheet, rng, length=rng.uniform(5, 15), points=int(rng.integers(8, 22)), bend=0.12)
    for _ in range(4):
        _rain(sheet, rng)
    for _ in range(3):
        many = somewhere(rng, 6, 13) + np.abs(rng.normal(0, (3.5, 2.5), (rng.integers(80, 220), 2)))
        for at in spaced(many[(many < SIDE - 3).all(axis=1)], 0.245):
            dot(sheet, at, rng.uniform(FINEST, 0.26))
    for _ in range(6):
        at = rng.uniform((3, 8), (12, SIDE - 6))
        write(sheet, "in this light, little tin: 'ships'... i;", at, rng.uniform(1.3, 2.4))
    for _ in range(3):
        _splash(sheet, rng)


def _face(sheet: Sheet, rng: np.random.Generator) -> None:
    """An outline, two eyes that shine, freckles below them."""
    middle, radius = somewhere(rng, 8), rng.uniform(2.5, 4)
    line(sheet, wobbly(middle, radius, rng, rough=0.04), 0.25, closed=True)
    for side in (-1, 1):
        eye = middle + radius * np.array([0.35 * side, -0.2])
        dot(sheet, eye, rng.uniform(0.35, 0.6))
        dot(sheet, eye - 0.08, rng.uniform(FINEST, 0.16), white=True)
        for _ in range(rng.integers(3, 8)):
            at = middle + radius * np.array([0.5 * side, 0.15]) + rng.normal(0, (0.35, 0.25))
            dot(sheet, at, rng.uniform(FINEST, 0.2))


def _rain(sheet: Sheet, rng: np.random.Generator) -> None:
    """Ticks of one direction, also grass."""
    corner, angle = somewhere(rng, 6, 13), np.pi / 2 + rng.uniform(-0.4, 0.4)
    for _ in range(rng.integers(15, 40)):
        start, length = corner + rng.uniform(0, (9, 7)), rng.uniform(0.4, 1.4)
        tick(sheet, start, length, angle=rng.normal(angle, 0.1), width=rng.uniform(FINEST, 0.18))


def _splash(sheet: Sheet, rng: np.random.Generator) -> None:
    """A blot and ten drops about it."""
    middle = somewhere(rng, 8)
    fill(sheet, wobbly(middle, rng.uniform(0.5, 1.2), rng, rough=0.1))
    for _ in range(10):
        dot(sheet, middle + rng.uniform(1, 4) * toward(rng.uniform(0, TURN)), rng.uniform(FINEST, 0.4))


def tram(sheet: Sheet, rng: np.random.Generator) -> None:
    """A map: lines with stops, a coast with its waters, dotted limits, trees, names, soundings."""
    for _ in range(6):
        _route(sheet, rng)
    coast = wander(rng, (2, rng.uniform(20, 40)), 60, points=60, bend=0.1)
    line(sheet, coast, 0.2)
    for n in range(1, 6):
        line(sheet, coast + (0, 0.5 * n), FINEST)
    for _ in range(8):
        points = int(rng.integers(10, 40))
        dotted_line(sheet, rng, length=rng.uniform(6, 20), points=points, bend=0.06, uneven=0)
    crown = toward(np.linspace(-0.6, 2.2, 8))
    for _ in range(60):
        tree = somewhere(rng, 3)
        dot(sheet, tree, rng.uniform(0.12, 0.3))
        line(sheet, tree + 0.35 * crown, FINEST)
    for name in NAMES * 2:
        write(sheet, name, rng.uniform((3, 6), (SIDE - 20, SIDE - 4)), rng.uniform(1.0, 1.8))
    single_dots(sheet, rng, 25, largest=0.3)


def _route(sheet: Sheet, rng: np.random.Generator) -> None:
    """A line with a ring at every second bend, some of them filled."""
    way = wander(rng, somewhere(rng, 5), rng.uniform(25, 55), points=10, bend=0.5)
    line(sheet, way, rng.choice([0.3, 0.5, 0.8, 1.2]))
    for stop in way[1::2]:
        dot(sheet, stop, 2.0)
        dot(sheet, stop, 1.4, white=True)
        if rng.random() < 0.4:
            dot(sheet, stop, 0.5)


def botany(sheet: Sheet, rng: np.random.Generator) -> None:
    """Stems that taper, leaves and fruit under stipple that thins out, a caption."""
    for _ in range(4):
        stem = wander(rng, somewhere(rng, 15), rng.uniform(15, 30), bend=0.05)
        taper(sheet, stem, rng.uniform(0.3, 0.6), FINEST)
        for foot in stem[3::5]:
            _leaf(sheet, rng, foot)
    for _ in range(3):
        _fruit(sheet, rng)
    write(sheet, "fig. ii.", (4, SIDE - 4), 1.6)


def _leaf(sheet: Sheet, rng: np.random.Generator, foot: Array) -> None:
    """Two edges, a rib, dots that are fewer and smaller toward one edge."""
    angle, length = rng.uniform(0, TURN), rng.uniform(3, 7)
    along, across = length * toward(angle), 0.22 * length * toward(angle + np.pi / 2)
    steps = np.linspace(0, 1, 20)[:, None]
    for side in (1, -1):
        line(sheet, foot + along * steps + side * across * np.sin(np.pi * steps), rng.uniform(FINEST, 0.2))
    line(sheet, foot + along * steps * 0.9, FINEST)
    for _ in range(rng.integers(40, 150)):
        inward, up = rng.beta(1, 2.5), rng.uniform(0, 1)
        at = foot + along * up + across * np.sin(np.pi * up) * (1 - 2 * inward) * 0.95
        dot(sheet, at, rng.uniform(FINEST, 0.13) + 0.12 * (1 - inward) ** 2)


def _fruit(sheet: Sheet, rng: np.random.Generator) -> None:
    """A round outline, stipple denser toward its lower right."""
    middle, radius = somewhere(rng, 8), rng.uniform(2, 4)
    line(sheet, wobbly(middle, radius, rng, rough=0.02), 0.15, closed=True)
    many = rng.uniform(-radius, radius, (400, 2))
    shade = np.clip(many.sum(axis=1) / radius + 0.25, 0.02, 1)
    inside = (np.hypot(*many.T) < 0.97 * radius) & (rng.random(len(many)) < shade)
    for at in spaced(many[inside], 0.22):
        dot(sheet, middle + at, rng.uniform(FINEST, 0.2))
