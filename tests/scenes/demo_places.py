"""I am the places of Ostrellin, a harbor town that exists on this sheet only: coast, river, streets, tram lines.

In: nothing. Out: hand-set lines and polygons in mm on an A2 sheet lying on its long side, and masks of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from demo_pens import Points, along, curve
from numpy.typing import NDArray

SIZE = (594.0, 420.0)
FRAME = (24.0, 24.0, 570.0, 396.0)  # left, top, right, bottom of the drawing inside its border
PLAN = 4  # px per mm of the plan in which blocks are cut

COAST_WEST = [(10, 186), (36, 176), (60, 178), (80, 190), (98, 200), (114, 192), (128, 180), (144, 176), (156, 182)]
QUAYS = [
    (160, 186),
    (172, 212),
    (184, 212),
    (183, 238),
    (191, 238),
    (192, 212),
    (222, 211),
    (222, 234),
    (229, 234),
    (229, 211),
]
QUAYS += [(250, 210), (250, 232), (257, 232), (257, 210), (300, 210), (306, 200), (338, 210), (340, 236), (318, 239)]
QUAYS += [(318, 246), (341, 245), (346, 266), (376, 270), (378, 282), (396, 286)]
PIERS = [[(184, 211), (183, 238), (191, 238), (192, 211)], [(222, 211), (222, 234), (229, 234), (229, 211)],
         [(250, 210), (250, 232), (257, 232), (257, 210)],
         [(341, 236), (318, 239), (318, 246), (341, 245)]]  # fmt: skip
COAST_EAST = [(400, 288), (416, 300), (420, 318), (410, 336), (406, 356), (414, 378), (408, 408)]
RIVER = [
    (520, -5),
    (496, 26),
    (486, 52),
    (452, 74),
    (424, 96),
    (410, 124),
    (384, 148),
    (352, 168),
    (332, 188),
    (322, 214),
]
RIVER_WIDTH = (9, 20)
MOLES = [
    [(132, 182), (124, 208), (134, 238), (156, 262), (184, 276)],
    [(346, 256), (330, 278), (300, 292), (262, 294), (232, 288)],
]
ISLAND = [(196, 330), (206, 322), (222, 324), (232, 332), (228, 344), (212, 348), (199, 342)]
SKERRIES = [(243, 347, 2.2), (248, 341, 1.4), (188, 349, 1.6), (92, 214, 1.8), (99, 219, 1.1)]  # x, y, radius
TOWN = [
    (112, 152),
    (118, 118),
    (148, 104),
    (214, 96),
    (262, 92),
    (330, 58),
    (402, 60),
    (452, 84),
    (508, 92),
    (546, 128),
]
TOWN += [(556, 190), (546, 250), (508, 290), (456, 300), (424, 302), (330, 300), (130, 240)]
PARKS = {"Heron Park": [(432, 226), (456, 220), (474, 232), (472, 252), (450, 262), (432, 250)],
         "Nettle Green": [(158, 140), (176, 136), (188, 144), (182, 158), (164, 160), (154, 150)],
         "Weir Gardens": [(352, 84), (378, 78), (396, 86), (392, 104), (372, 116), (354, 106)]}  # fmt: skip
SQUARES = [
    (272, 160, 10.0),
    (500, 172, 8.0),
    (172, 107, 8.0),
    (541, 238, 11.0),
    (372, 74, 5.5),
]  # center, radius: room for towers and kilns


@dataclass(frozen=True)
class Stop:
    """A tram stop: its name, where (mm), where its letters start from the stop (mm), and their alignment 0..1."""

    name: str
    at: tuple[float, float]
    label: tuple[float, float]
    align: float = 0.0
    change: bool = False


@dataclass(frozen=True)
class Line:
    """A tram line: number, name, color (linear light), way (n, 2) mm, stops in order."""

    number: int
    name: str
    color: tuple[float, float, float]
    way: Points
    stops: tuple[Stop, ...]


R, L, C = 0.0, 1.0, 0.5  # letters start, end or center at their point
LINES = (
    Line(1, "Harbor Line", (0.42, 0.055, 0.035), curve([
        (38, 160), (70, 162), (104, 168), (132, 166), (156, 174), (176, 203), (204, 204), (256, 203), (286, 202.6),
        (302, 203), (322, 204), (340, 206), (350, 224), (354, 252), (382, 264), (414, 278), (440, 302), (452, 326)]), (
        Stop("Gull Stair", (40, 160), (0, -4.6), C),
        Stop("Ropewalk", (92, 166), (0, -4.6), C),
        Stop("Netloft", (150, 171), (-3.4, -4.2), L),
        Stop("Oyster Steps", (184, 204), (2.2, -3.6), R),
        Stop("Tallow Quay", (239, 203.4), (3.4, -3.6), R, True),
        Stop("Ferry House", (280, 203), (0, 13), C),
        Stop("Pilot's Rest", (352, 242), (3.6, 2.4), R),
        Stop("Customs Stair", (383, 264), (3.6, -2), R, True),
        Stop("Saltern", (451, 324), (-4, 2.4), L),
    )),
    Line(2, "Weir Line", (0.03, 0.19, 0.22), curve([
        (338, 44), (332, 74), (312, 104), (296, 128),
        (276, 144), (250, 170), (242, 186), (239, 203)]), (
        Stop("Old Weir", (338, 46), (4, 2), R),
        Stop("Plumgarden", (318, 96), (4, 2.8), R),
        Stop("Brinemarket", (285, 137), (4.2, 3.6), R, True),
        Stop("Tallow Quay", (239, 203.4), (0, 0), R, True),
    )),
    Line(3, "Cross Line", (0.55, 0.27, 0.03), curve([
        (62, 126), (92, 132), (128, 130), (164, 128), (204, 136), (244, 138), (284, 138), (330, 132),
        (354, 138), (379, 152.5), (404, 167), (428, 182), (470, 192), (510, 196), (552, 212)]), (
        Stop("Old Sails", (64, 126), (0, -4.6), C),
        Stop("Bramblegate", (118, 131), (0, -4.6), C),
        Stop("Thimble Court", (196, 134), (0, -4.6), C),
        Stop("Brinemarket", (285, 137), (0, 0), R, True),
        Stop("Owl Bridge", (350, 137), (-1, -4.6), C),
        Stop("Bellfounders", (428, 182), (2.2, -4), R, True),
        Stop("Coppersmiths", (486, 194), (-1, -4.2), C),
        Stop("Kiln End", (550, 211), (0, -4.8), C),
    )),
    Line(4, "Hill Line", (0.2, 0.05, 0.19), curve([
        (534, 84), (506, 108), (474, 126), (446, 148),
        (428, 182), (414, 216), (404, 244), (383, 264)]), (
        Stop("Lantern Top", (533, 85), (0, -5), C),
        Stop("Inkpot Lane", (476, 125), (4, 2.6), R),
        Stop("Bellfounders", (428, 182), (0, 0), R, True),
        Stop("Three Herrings", (411, 224), (4, 1), R),
        Stop("Customs Stair", (383, 264), (0, 0), R, True),
    )),
)  # fmt: skip
STREETS = [
    [(206, 92), (203, 136), (205, 212)], [(140, 104), (146, 140), (150, 172)],
    [(244, 90), (248, 138), (266, 158), (270, 212)],
    [(404, 60), (418, 110), (446, 148)], [(452, 84), (474, 126), (488, 194), (476, 292)],
    [(366, 140), (352, 84), (356, 50)],
    [(394, 160), (372, 206), (352, 226)], [(404, 244), (470, 262), (548, 248)],
    [(428, 182), (340, 204)], [(110, 150), (154, 152), (204, 170), (250, 170)],
    [(296, 128), (318, 160), (302, 204)], [(312, 104), (360, 114), (400, 120)],
    [(506, 108), (522, 150), (512, 196), (524, 270)],
    [(262, 112), (204, 112), (132, 116)], [(330, 134), (340, 170)], [(414, 216), (354, 244)],
    [(446, 148), (510, 150), (556, 160)],
]  # fmt: skip


def coast() -> Points:
    """The land as one polygon, closed far outside the frame."""
    return np.vstack([curve(COAST_WEST), QUAYS, curve(COAST_EAST), [(604, 408), (604, -10), (-10, -10), (-10, 186)]])


def banks() -> Points:
    """The river as one polygon, growing wider toward the harbor."""
    way = curve(RIVER)
    half = np.linspace(*RIVER_WIDTH, len(way)) / 2 * (1 + 0.12 * np.sin(np.arange(len(way)) / 23))
    d = np.gradient(way, axis=0)
    n = np.stack([-d[:, 1], d[:, 0]], 1) / np.hypot(*d.T)[:, None]
    return np.vstack([way + n * half[:, None], (way - n * half[:, None])[::-1]])


def plan_mask(polygons: list[Points], value: int = 1) -> NDArray[np.uint8]:
    """(rows, cols) uint8 mask of polygons (mm) at PLAN px per mm."""
    mask = np.zeros((int(SIZE[1] * PLAN), int(SIZE[0] * PLAN)), np.uint8)
    for polygon in polygons:
        cv2.fillPoly(mask, [np.round(np.asarray(polygon) * PLAN).astype(np.int32)], value)
    return mask


def nearest(way: Points, at: tuple[float, float]) -> Points:
    """The point of a way nearest to a place."""
    fine = along(way, 0.3)
    return np.asarray(fine[np.argmin(np.hypot(*(fine - at).T))])
