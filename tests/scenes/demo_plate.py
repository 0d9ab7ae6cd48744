"""I am what frames the demonstration map: title, key with scale and tram car, compass, border.

In: the desk. Out: ink and body color; the key and the compass clear their ground.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import demo_figures as figures
import demo_pens as pens
import numpy as np
from demo_letters import Hand, letter, measure
from demo_pens import Desk
from demo_places import FRAME, LINES

GRAND = Hand(size=17, width=2.3, contrast=0.66, serif=2.7, spread=3.9, clear=0.0)
SMALL = Hand(size=4.6, width=0.52, slant=0.2, spread=3.6, clear=0.0)
FINE = Hand(size=3.0, width=0.38, spread=2.6, clear=0.0)
WHITE = (0.90, 0.885, 0.83)
RED = Hand(size=6.2, width=0.8, contrast=0.5, serif=2.2, spread=3.0, ink="red", clear=0.0)


def title(desk: Desk) -> None:
    """The town's name in large letters with a shade line, and two swashes."""
    letter(desk, "The Tramways of", line=[[40, 42]], hand=SMALL, align=0)
    for ink, out in (("black", 0.75), ("red", 0.0)):  # the same hand twice: a dark shade under the red letters
        twin = replace(desk, rng=np.random.default_rng(3))
        letter(twin, "Ostrellin", line=[[40 + out, 66 + out]], hand=replace(GRAND, ink=ink), align=0)
    letter(desk, "and its harbor, with all stops,", line=[[40, 77]], hand=SMALL, align=0)
    letter(desk, "in ink and watercolor", line=[[40, 86]], hand=SMALL, align=0)
    for words, y in (("The Tramways of", 40.6), ("in ink and watercolor", 84.6)):
        x = 44 + measure(words, SMALL)
        swash = [(x, y), (x + 12, y - 3), (x + 26, y + 1.6), (x + 38, y - 1.2), (x + 34, y - 3.6), (x + 30, y - 1)]
        pens.pen(desk, pens.curve(swash), width=0.55, taper=0.4)


def key(desk: Desk) -> None:
    """The key: a tram car, the lines, signs, and a scale."""
    left, top, right, bottom = 474.0, 318.0, 563.0, 389.0
    card = np.array([(left, top), (right, top), (right, bottom), (left, bottom)])
    pens.cover(desk, pens.mask_of(desk, [card]))
    pens.wash(desk, pens.mask_of(desk, [card], [150]), pigment=(0.02, 0.05, 0.16), edge=0.8, ragged=0.2)
    pens.outline(desk, card, width=0.6)
    inner = card + np.array([(1.4, 1.4), (-1.4, 1.4), (-1.4, -1.4), (1.4, -1.4)])
    pens.outline(desk, inner, width=0.24)
    letter(desk, "Lines & Stops", line=[[(left + right) / 2, top + 9.5]], hand=RED)
    for index, line in enumerate(LINES):
        y = top + 17 + 6.8 * index
        way = np.array([(left + 6.0, y), (left + 24.0, y)])
        _sample(desk, way, line.color)
        letter(desk, f"{line.number}  {line.name}", line=[[left + 28, y + 1.2]], hand=FINE, align=0)
    _signs(desk, left, top + 17 + 6.8 * 4)
    _scale(desk, left + 8, bottom - 5.0)
    tram(desk, 521, top - 2, 1.0)


def _sample(desk: Desk, way: np.ndarray, color: tuple[float, float, float]) -> None:
    fine = pens.along(way, 0.8)
    band = np.vstack([fine + [0, 0.95], (fine - [0, 0.95])[::-1]])
    pens.cover(desk, pens.mask_of(desk, [band]), color=color, opacity=0.95)
    for side in (-0.95, 0.95):
        pens.pen(desk, fine + [0, side], width=0.24, shake=0.05)
    turn = np.linspace(0, 2 * np.pi, 24)
    ring = way.mean(0) + 1.8 * np.stack([np.cos(turn), np.sin(turn)], 1)
    pens.cover(desk, pens.mask_of(desk, [ring]), color=WHITE)
    pens.pen(desk, ring, width=0.45, shake=0.04)


def _signs(desk: Desk, left: float, y: float) -> None:
    turn = np.linspace(0, 2 * np.pi, 24)
    ring = np.array([left + 15, y]) + 2.2 * np.stack([np.cos(turn), np.sin(turn)], 1)
    pens.pen(desk, ring, width=0.5, shake=0.04)
    pens.dots(desk, [(left + 15, y)], radius=0.8)
    letter(desk, "Change here", line=[[left + 28, y + 1.2]], hand=FINE, align=0)
    dash = pens.along([(left + 6, y + 6.8), (left + 24, y + 6.8)], 1.8)
    pens.ticks(desk, dash[:-1:2], ends=dash[1::2], width=0.6, point=1)
    letter(desk, "Ferry, in calm weather", line=[[left + 28, y + 8.0]], hand=FINE, align=0)


def _scale(desk: Desk, x: float, y: float) -> None:
    """A bar of five parts, black and white by turns."""
    for i in range(5):
        part = figures.box(x + 12 * i, y, 12, 1.7)
        pens.outline(desk, part, width=0.28)
        if i % 2 == 0:
            pens.hatch(desk, part, angle=0.9, gap=0.42, width=0.3)
        letter(desk, str(i), line=[[x + 12 * i, y - 3]], hand=Hand(size=2.4, width=0.32, clear=0))
    letter(desk, "5 furlongs", line=[[x + 60, y - 3]], hand=Hand(size=2.4, width=0.32, clear=0), align=0.08)


def tram(desk: Desk, x: float, y: float, s: float = 1.0) -> None:
    """A tram car from the side, wheels on y, middle at x."""
    pens.pen(desk, [(x - 19 * s, y + 0.3), (x + 19 * s, y + 0.3)], width=0.5)
    for i in range(13):
        pens.ticks(desk, [(x + (-18 + 3 * i) * s, y + 0.8)], ends=[(x + (-18.6 + 3 * i) * s, y + 1.9)], width=0.3)
    figures.paint(desk, figures.box(x - 16 * s, y - 2.4 * s, 32 * s, 5.4 * s), (0.10, 1.1, 1.4), 230)
    figures.paint(desk, figures.box(x - 15 * s, y - 7.8 * s, 30 * s, 6.4 * s), (0.03, 0.06, 0.2), 200)
    for i in range(7):
        pane = figures.box(x + (-14 + 4.1 * i) * s, y - 8.6 * s, 3.3 * s, 4.6 * s)
        figures.paint(desk, pane, (0.5, 0.2, 0.12), 210, ink=0.22)
        pens.ticks(desk, [pane[0] + [0.6, -0.8]], ends=[pane[2] + [-0.8, 0.8]], width=0.14)
    roof = pens.curve(
        [
            (x - 17 * s, y - 14.2 * s),
            (x - 15 * s, y - 15.8 * s),
            (x, y - 16.6 * s),
            (x + 15 * s, y - 15.8 * s),
            (x + 17 * s, y - 14.2 * s),
        ],
        0.6,
    )
    figures.paint(desk, roof, (0.5, 0.4, 0.26), 230)
    for u in (-9, -5, 5, 9):
        rim = np.linspace(0, 2 * np.pi, 20)
        figures.paint(
            desk,
            np.stack([x + u * s + 1.7 * s * np.cos(rim), y - 1.5 * s + 1.7 * s * np.sin(rim)], 1),
            (0.9, 0.85, 0.75),
            200,
        )
        pens.dots(desk, [(x + u * s, y - 1.5 * s)], radius=0.4)
    pens.ticks(desk, [(x + 1 * s, y - 16.6 * s)], ends=[(x - 11 * s, y - 21.6 * s)], width=0.4, point=0.8)
    pens.pen(desk, [(x - 20 * s, y - 21.8 * s), (x + 19 * s, y - 21.2 * s)], width=0.22)
    letter(desk, "No 3", line=[[x, y - 4.2 * s]], hand=Hand(size=2.2, width=0.34, clear=0))


def compass(desk: Desk, x: float, y: float, radius: float) -> None:
    """A compass rose of sixteen points, half of each point dark."""
    turn = np.linspace(0, 2 * np.pi, 120)
    circle = np.stack([np.cos(turn), np.sin(turn)], 1)
    pens.veil(desk, pens.mask_of(desk, [np.array([x, y]) + circle * radius * 0.82]), reach=3, strength=0.55)
    for share, width in ((0.80, 0.3), (0.75, 0.22), (0.42, 0.22)):
        pens.pen(desk, [x, y] + circle * radius * share, width=width, shake=0.05)
    ray = np.arange(72) * np.pi / 36
    spokes = np.stack([np.cos(ray), np.sin(ray)], 1) * radius
    pens.ticks(desk, [x, y] + spokes * 0.75, ends=[x, y] + spokes * 0.80, width=0.24, point=1)
    for order, reach in ((8, 0.5), (4, 0.68), (2, 1.0)):
        angles = {
            8: np.arange(8) * np.pi / 4 + np.pi / 8,
            4: np.arange(4) * np.pi / 2 + np.pi / 4,
            2: np.arange(4) * np.pi / 2,
        }[order]
        for angle in angles:
            _point(desk, np.array([x, y]), float(angle), radius * reach, radius * (0.11 if order == 8 else 0.15))
    for name, u, v in (("N", 0, -1.06), ("E", 1.1, 0.06), ("S", 0, 1.2), ("W", -1.1, 0.06)):
        letter(
            desk,
            name,
            line=[[x + u * radius, y + v * radius]],
            hand=Hand(size=4.4, width=0.6, contrast=0.4, serif=2, clear=0.7),
        )


def _point(desk: Desk, middle: np.ndarray, angle: float, reach: float, waist: float) -> None:
    d, n = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    tip = middle + d * reach
    left, right = middle + (d - n) * waist * 0.7, middle + (d + n) * waist * 0.7
    pens.cover(desk, pens.mask_of(desk, [np.array([middle, left, tip, right])]), color=WHITE, opacity=0.9)
    pens.cover(desk, pens.mask_of(desk, [np.array([middle, right, tip])]), color=(0.42, 0.055, 0.035), opacity=0.9)
    pens.outline(desk, [middle, left, tip], width=0.26, over=0.0)
    pens.outline(desk, [middle, right, tip], width=0.26, over=0.0)


def border(desk: Desk) -> None:
    """Two frames with a ladder of light and dark parts between them, and a flower in each corner."""
    left, top, right, bottom = FRAME
    for out, width in ((0.0, 0.4), (5.2, 0.7), (6.4, 0.24)):
        frame = [
            (left - out, top - out),
            (right + out, top - out),
            (right + out, bottom + out),
            (left - out, bottom + out),
        ]
        pens.outline(desk, frame, width=width, over=0.6)
    across, down = np.linspace(left, right, 27), np.linspace(top, bottom, 19)
    for i, (a, b) in enumerate(itertools.pairwise(across)):
        for y in (top, bottom + 5.2):
            _rung(desk, figures.box(a, y, b - a, 5.2), i % 2 == 0)
    for i, (a, b) in enumerate(itertools.pairwise(down)):
        for x in (left - 5.2, right):
            _rung(desk, figures.box(x, b, 5.2, b - a), i % 2 == 0)
    for x, y in ((left, top), (right, top), (right, bottom), (left, bottom)):
        middle = np.array([x + (-2.6 if x == left else 2.6), y + (-2.6 if y == top else 2.6)])
        for angle in np.arange(8) * np.pi / 4:
            d = np.array([np.cos(angle), np.sin(angle)])
            pens.ticks(desk, [middle + d * 0.5], ends=[middle + d * 2.0], width=0.7, ink="red", point=0.3)


def _rung(desk: Desk, part: np.ndarray, dark: bool) -> None:
    middle = part.mean(0)
    inner = middle + (part - middle) * (1 - 1.6 / np.ptp(part, axis=0))
    if dark:
        pens.wash(desk, pens.mask_of(desk, [inner], [190]), pigment=(0.62, 0.27, 0.15), edge=0.6, ragged=0.1)
        pens.hatch(desk, inner, angle=0.8, gap=0.75, width=0.22)
    pens.outline(desk, inner, width=0.24, over=0.15)
