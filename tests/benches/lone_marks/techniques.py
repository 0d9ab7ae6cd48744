"""I draw pages of one way of working each: a vignette, scraperboard, spatter and dry brush, type, etching.

In: an empty sheet, a generator. Out: ink on it.
"""

from __future__ import annotations

import numpy as np
from ink_pages import wobbly
from lone_marks.motifs import FINEST, lone_mark, single_dots, somewhere, toward, wander
from lone_marks.sheets import SIDE, Sheet, box, dot, fill, line, taper, write
from PIL import Image, ImageDraw, ImageFont

from stitchbed.core.arrays import Array

THIN = 0.08  # mm, where a stroke that tapers ends
TYPE = "ill. it's, i.e.; 1.5 : jj oo ee ... fi"
LINE_MM, SET = 50.0, 1.6  # of type: how long a line is, letters to each of its heights


def sparse(sheet: Sheet, rng: np.random.Generator) -> None:
    """A small vignette, a lot of paper, some single marks far from all."""
    corner = somewhere(rng, 15, 25)
    line(sheet, wobbly(corner + 5, 6, rng, rough=0.05), rng.choice([0.15, 0.25, 0.4]), closed=True)
    line(sheet, wobbly(corner + 5, 3, rng, rough=0.1), 0.15, closed=True)
    for x in 0.7 * np.arange(12):
        line(sheet, corner + [(x, 8), (x + 2, 11)], rng.uniform(FINEST, 0.2))
    fill(sheet, wobbly(corner + (5, 4), 1.2, rng, rough=0.08))
    dot(sheet, corner + (4.7, 3.7), 0.3, white=True)
    for _ in range(rng.integers(3, 40)):
        lone_mark(sheet, rng, somewhere(rng, 3), dots=0.7, largest=0.5, lengths=(0.2, 0.8))


def scraper(sheet: Sheet, rng: np.random.Generator) -> None:
    """All in white on black: strokes, hatching, snow, a word; rings with a black dot in them."""
    fill(sheet, box(3, 3, SIDE - 6, SIDE - 6))
    for _ in range(25):
        way = wander(rng, somewhere(rng, 8), rng.uniform(3, 20))
        taper(sheet, way, rng.uniform(FINEST, 0.4), rng.uniform(THIN, 0.15), white=True)
    for _ in range(6):
        corner, angle = somewhere(rng, 8, 12), rng.uniform(0, np.pi)
        for step in 0.4 * np.arange(14):
            foot = corner + step * toward(angle)
            head = foot + 3 * toward(angle + np.pi / 2)
            line(sheet, [rng.normal(foot, 0.05), head], rng.uniform(FINEST, 0.2), white=True)
    single_dots(sheet, rng, 220, largest=0.6, white=True)
    write(sheet, "i. o. 88 ae", (10, SIDE - 8), 2, white=True)
    for _ in range(12):
        at = somewhere(rng, 5)
        dot(sheet, at, rng.uniform(0.8, 1.4), white=True)
        dot(sheet, at + (0.1, 0), rng.uniform(0.12, 0.4))


def spray(sheet: Sheet, rng: np.random.Generator) -> None:
    """Spatter of a toothbrush, dry brush, some lines."""
    for _ in range(3):
        middle, spread = somewhere(rng, 10), rng.uniform(3, 6)
        for at in rng.normal(middle, spread, (rng.integers(80, 350), 2)):
            if ((at > 1) & (at < SIDE - 1)).all():
                dot(sheet, at, float(np.clip(np.exp(rng.normal(np.log(0.14), 0.45)), 0.07, 0.9)))
    for _ in range(3):
        corner = rng.uniform(5, (SIDE - 20, SIDE - 8))
        for down in 0.09 * np.arange(40):
            _streak(sheet, rng, corner + (0, down))
    for _ in range(8):
        line(sheet, wander(rng, somewhere(rng, 8), rng.uniform(8, 25)), rng.choice([0.2, 0.4]))


def _streak(sheet: Sheet, rng: np.random.Generator, start: Array) -> None:
    """A hair of a dry brush over 15 mm: it breaks off more the farther it comes."""
    at = 0.0
    while at < 14:
        end = at + rng.exponential(1.2)
        line(sheet, [start + (at, 0), start + (min(end, 15), rng.normal(0, 0.03))], FINEST)
        at = end + rng.exponential(0.25 + 0.06 * at)


def typed(sheet: Sheet, rng: np.random.Generator) -> None:
    """Lines of type of many heights, and single dots."""
    picture = Image.fromarray(sheet.ink)
    pen = ImageDraw.Draw(picture)
    pen.fontmode = "1"  # ink or none
    y = 3.0
    while y < SIDE - 6:
        height = rng.uniform(1.4, 3.2)
        at = (round(rng.uniform(3, 6) * sheet.scale), round(y * sheet.scale))
        font = ImageFont.load_default(height * sheet.scale)
        pen.text(at, TYPE[: int(LINE_MM / height * SET)], fill=1, font=font)
        y += 1.7 * height
    sheet.ink[:] = np.asarray(picture)
    single_dots(sheet, rng, 15, largest=0.3)


def etching(sheet: Sheet, rng: np.random.Generator) -> None:
    """Patches of strokes that taper, some crossed; flicks and dots that end a hatching."""
    for _ in range(12):
        corner, angle = somewhere(rng, 5, 14), rng.uniform(0, np.pi)
        pitch, count = rng.uniform(0.25, 0.5), int(rng.integers(12, 26))
        for layer in range(rng.integers(1, 3)):
            turned = angle + 1.1 * layer
            for off in pitch * (np.arange(count) - count / 2):
                middle = corner + 4 + off * toward(turned + np.pi / 2)
                way = middle + np.linspace(-rng.uniform(1, 4), rng.uniform(1, 4), 9)[:, None] * toward(turned)
                taper(sheet, way + rng.normal(0, 0.02, (9, 2)).cumsum(axis=0), rng.uniform(0.15, 0.3), THIN)
        for at in corner + rng.uniform(0, 8, (10, 2)):
            _flick(sheet, rng, at, angle)


def _flick(sheet: Sheet, rng: np.random.Generator, at: Array, angle: float) -> None:
    """A dot or a short stroke that tapers."""
    if rng.random() < 0.5:
        dot(sheet, at, rng.uniform(FINEST, 0.16))
    else:
        way = np.linspace(0, rng.uniform(0.3, 0.9), 5)[:, None] * toward(rng.normal(angle, 0.1))
        taper(sheet, at + way, rng.uniform(0.12, 0.2), THIN)
