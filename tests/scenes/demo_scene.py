"""I paint the demonstration map from the far to the near: country, houses, trams, towers, letters, key and border.

In: a number to draw luck from and px per mm. Out: linear light of the whole sheet.
"""

from __future__ import annotations

import cv2
import demo_country as country
import demo_figures as figures
import demo_harbor as harbor
import demo_pens as pens
import demo_places as places
import demo_plate as plate
import demo_ships as ships
import numpy as np
from demo_letters import Hand, letter
from demo_pens import Desk, Floats, Points
from demo_places import LINES
from demo_town import House, Town, draw_up

ROOFS = ((0.10, 0.80, 1.25), (0.52, 0.40, 0.24), (0.06, 0.34, 1.05), (0.38, 0.62, 0.50))
SHADOW = (0.42, 0.38, 0.26)
LAWN = (0.34, 0.12, 0.62)
GARDEN = (0.26, 0.09, 0.46)
WHITE = (0.90, 0.885, 0.83)

BOATS = (
    (180, 222, 1.5), (180, 230, 1.7), (196, 224, 1.4), (218.5, 220, 1.6), (233, 219, 1.5), (233, 226, 1.7),
    (246, 224, 1.6),
    (322, 251, 0.1), (332, 250, -0.1), (310, 226, 0.6), (176, 244, 0.4), (292, 226, -0.5), (382, 298, 0.9),
)  # fmt: skip

STOP = Hand(size=2.9, width=0.40, clear=0.9)
PLACE = Hand(size=3.4, width=0.42, slant=0.24, spread=3.2, clear=0.8)
WATER = Hand(size=6.4, width=0.62, slant=0.26, spread=7.5, ink="blue", contrast=0.4, serif=1.6, clear=0.75)
STREAM = Hand(size=3.6, width=0.42, slant=0.26, spread=4.6, ink="blue", clear=0.5)


def draw(luck: int, scale: float) -> Floats:
    """(rows, cols, 3) float32 linear light 0..1 of the map at `scale` px per mm."""
    desk = pens.lay_out(*places.SIZE, scale, luck)
    town = draw_up(np.random.default_rng([luck, 1]))
    _ground(desk, town)
    _built(desk, town)
    harbor.moles(desk)
    harbor.bridges(desk)
    _trams(desk)
    _landmarks(desk)
    _afloat(desk)
    _names(desk)
    plate.title(desk)
    plate.key(desk)
    plate.compass(desk, 86, 316, 27)
    plate.border(desk)
    return pens.light_of(desk)


def _ground(desk: Desk, town: Town) -> None:
    country.fields(desk, town)
    country.hills(desk)
    country.sea(desk, town)
    country.waves(desk, town)
    island = pens.curve(places.ISLAND, closed=True)
    pens.wash(desk, pens.mask_of(desk, [island], [200]), pigment=country.MEADOW, edge=0.8)
    pens.pen(desk, island, width=0.45)
    for x, y, radius in places.SKERRIES:
        rock = np.array(
            [
                (x - radius, y + 0.6),
                (x - 0.3 * radius, y - radius),
                (x + 0.5 * radius, y - 0.6 * radius),
                (x + radius, y + 0.6),
            ]
        )
        figures.paint(desk, rock, figures.SLATE, 160)
    for line in (pens.curve(places.COAST_WEST), pens.curve(places.COAST_EAST)):
        inside = line[(line[:, 0] > places.FRAME[0]) & (line[:, 1] < places.FRAME[3])]
        pens.pen(desk, inside, width=0.5, shake=0.15)
    land = [(x, y) for x, y in places.QUAYS]
    pens.outline(desk, [places.COAST_WEST[-1], *land, places.COAST_EAST[0]], width=0.55, closed=False)
    harbor.river_banks(desk)
    country.woods(desk)
    country.salt_pans(desk)
    harbor.quays(desk)


def _built(desk: Desk, town: Town) -> None:
    """Paving, parks, gardens, roofs with their shadows, and the ink of every house."""
    pens.wash(desk, pens.mask_of(desk, list(town.blocks)), pigment=harbor.STONES, edge=0.4)
    inner = np.asarray(cv2.erode(town.gardens, np.ones((3, 3), np.uint8)), np.uint8)
    gardens = country.to_desk(desk, inner)
    gardens[gardens < 128] = 0
    pens.wash(desk, gardens, pigment=GARDEN, edge=0.4, ragged=0.3)
    _parks(desk)
    country.trees(desk, town.trees, 1.15)
    corners = [house.corners for house in town.houses]
    shade = pens.mask_of(desk, [c + [0.75, 0.8] for c in corners])
    shade[pens.mask_of(desk, corners) > 0] = 0
    pens.wash(desk, shade, pigment=SHADOW, edge=0.1, ragged=0.05)
    strength = desk.rng.integers(125, 255, len(corners))
    for kind, pigment in enumerate(ROOFS):
        chosen = [i for i, house in enumerate(town.houses) if house.kind == kind]
        pens.wash(
            desk,
            pens.mask_of(desk, [corners[i] for i in chosen], strength[chosen]),
            pigment=pigment,
            edge=0.5,
            ragged=0.12,
        )
    halves = [_dark_half(house) for house in town.houses]
    pens.wash(desk, pens.mask_of(desk, halves, [120] * len(halves)), pigment=SHADOW, edge=0.1, ragged=0.05)
    for house, half in zip(town.houses, halves, strict=True):
        pens.outline(desk, house.corners, width=0.3)
        pens.pen(desk, house.ridge, width=0.22, shake=0.04)
        ridge = house.ridge[1] - house.ridge[0]
        pens.hatch(desk, half, angle=float(np.arctan2(ridge[1], ridge[0])) + np.pi / 2, gap=0.85, width=0.13, gaps=0.25)
        if desk.rng.uniform() < 0.5:
            pens.dots(desk, house.ridge.mean(0) + ridge * 0.2, radius=0.3)


def _dark_half(house: House) -> Points:
    """The half of a roof that looks away from the light (from the upper left)."""
    ridge, corners = house.ridge, house.corners
    d = ridge[1] - ridge[0]
    side = (corners - ridge[0]) @ np.array([-d[1], d[0]])
    light = np.array([-d[1], d[0]]) @ np.array([1.0, 1.3])
    pick = corners[side * np.sign(light) > 0]
    if np.hypot(*(pick[0] - ridge[1])) > np.hypot(*(pick[1] - ridge[1])):
        pick = pick[::-1]
    return np.vstack([ridge, pick])


def _parks(desk: Desk) -> None:
    for index, park in enumerate(places.PARKS.values()):
        rim = pens.curve(park, closed=True)
        pens.wash(desk, pens.mask_of(desk, [rim], [225]), pigment=LAWN, edge=0.7, ragged=0.4)
        pens.pen(desk, rim, width=0.34)
        middle, size = np.mean(park, axis=0), np.ptp(np.array(park), axis=0)
        turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
        ring = middle + np.stack([np.cos(turn), np.sin(turn)], 1) * size * 0.36
        country.trees(desk, ring + desk.rng.normal(0, 0.5, ring.shape), 1.5)
        walk = pens.curve(middle + np.stack([np.cos(turn), np.sin(turn)], 1) * size * 0.26, closed=True)
        pens.dots(desk, pens.along(walk, 0.9), radius=0.13)
        if index != 1:
            pond = pens.curve(
                middle + np.stack([np.cos(turn[::3]), np.sin(turn[::3])], 1) * size * [0.16, 0.12], closed=True
            )
            figures.paint(desk, pond, country.SEA, 190)
            pens.hatch(desk, pond, angle=0.0, gap=0.8, width=0.13, gaps=0.5)
        else:
            figures.paint(
                desk,
                pens.curve(middle + np.stack([np.cos(turn[::2]), np.sin(turn[::2])], 1) * 1.8, closed=True),
                figures.BRASS,
                120,
            )


def _trams(desk: Desk) -> None:
    """The lines in body color with an ink edge, the ferry's dots, then the stops."""
    for line in LINES:
        way = line.way
        pens.cover(desk, pens.mask_of(desk, [_band(way, 3.4)]), color=WHITE, opacity=0.92)
    for line in LINES:
        pens.cover(desk, pens.mask_of(desk, [_band(line.way, 1.7)]), color=line.color, opacity=0.94)
        n = pens.normals(line.way)
        for side in (-0.9, 0.9):
            pens.pen(desk, line.way + n * side, width=0.24, shake=0.06)
    ferry = pens.along(pens.curve([(226, 235), (216, 262), (207, 284), (212, 306), (216, 323)]), 1.9)
    pens.ticks(desk, ferry[:-1:2], ends=ferry[1::2], width=0.6, point=1)
    for line in LINES:
        for stop in line.stops:
            _stop(desk, places.nearest(line.way, stop.at), 2.3 if stop.change else 1.75)


def _band(way: Points, width: float) -> Points:
    n = pens.normals(way) * width / 2
    return np.vstack([way + n, (way - n)[::-1]])


def _stop(desk: Desk, at: Points, radius: float) -> None:
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ring = at + radius * np.stack([np.cos(turn), np.sin(turn)], 1)
    pens.cover(desk, pens.mask_of(desk, [ring]), color=WHITE)
    pens.pen(desk, np.vstack([ring, ring[:2]]), width=0.5, shake=0.04)
    if radius > 2:
        pens.dots(desk, [at], radius=0.8)


def _landmarks(desk: Desk) -> None:
    figures.church(desk, 271, 167, 0.85)
    figures.hall(desk, 500, 176, 0.8)
    figures.mill(desk, 64, 119, 1.05)
    for x, y, way in ((186.5, 235, 1), (225, 231, 1), (253, 229, -1), (323, 244, 1)):
        figures.crane(desk, x, y, 0.8, way=way)
    figures.lighthouse(desk, 214, 335, 1.05)
    figures.hall(desk, 172, 110, 0.7)
    figures.church(desk, 372, 78, 0.6)
    for x, y in ((541, 238), (549, 245), (533.5, 244)):
        figures.kiln(desk, x, y, 1.15)
    figures.church(desk, 521, 80, 0.55)
    country.trees(
        desk, np.array([(204, 340), (224, 338), (208, 343), (56, 121), (74, 120), (79, 122)], np.float64), 1.3
    )


def _afloat(desk: Desk) -> None:
    ships.ship(desk, 168, 366, 1.15)
    ships.ship(desk, 286, 352, 0.75, way=-1)
    ships.ship(desk, 268, 256, 0.55)
    ships.steamer(desk, 326, 322, 1.0, way=-1)
    ships.steamer(desk, 206, 266, 0.5)
    ships.whale(desk, 366, 366, 0.95)
    for x, y, angle in BOATS:
        ships.boat(desk, x, y, angle)
    for x, y in (
        (120, 240),
        (127, 246),
        (113, 250),
        (280, 308),
        (290, 303),
        (60, 250),
        (390, 318),
        (140, 312),
        (236, 376),
    ):
        ships.gull(desk, x, y)


def _names(desk: Desk) -> None:
    letter(desk, "Bay of Sprats", line=pens.curve([(220, 384), (280, 376), (340, 386), (400, 390)]), hand=WATER)
    letter(desk, "The Basin", line=[[268, 276]], hand=STREAM)
    letter(desk, "Outer Roads", line=pens.curve([(44, 214), (70, 236), (104, 262), (140, 282)]), hand=STREAM)
    letter(desk, "River Tindrel", line=pens.curve(places.RIVER)[::-1][110:330] + [0.6, 1.4], hand=STREAM)
    letter(desk, "Candle Rock", line=[[214, 352.5]], hand=PLACE)
    for name, park in places.PARKS.items():
        letter(desk, name, line=[np.mean(park, axis=0) + [0, 8.4 if name != "Nettle Green" else 5.8]], hand=PLACE)
    for line in LINES:
        for stop in line.stops:
            if stop.label != (0, 0):
                at = places.nearest(line.way, stop.at) + stop.label + [0, 1.0]
                letter(desk, stop.name, line=[at], hand=STOP, align=stop.align)
