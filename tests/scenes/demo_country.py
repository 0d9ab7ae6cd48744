"""I am the water, the fields, the woods and the hills around the town of the demonstration map.

In: the desk and the town's places. Out: washes and ink on the desk; nothing here hides what was drawn before.
"""

from __future__ import annotations

import cv2
import demo_pens as pens
import demo_places as places
import numpy as np
from demo_pens import Desk, Points
from demo_places import FRAME, PLAN
from demo_town import Town
from numpy.typing import NDArray
from scipy.spatial import cKDTree

SEA = (0.62, 0.27, 0.15)  # densities: red, green, blue
SHALLOW = (0.40, 0.10, 0.12)
GRASS = (0.30, 0.10, 0.52)
MEADOW = (0.14, 0.06, 0.36)
STUBBLE = (0.05, 0.12, 0.42)
EARTH = (0.13, 0.24, 0.40)
LEAF = (0.42, 0.16, 0.52)
SALT = [(424, 340), (464, 336), (464, 387), (430, 387)]
WOODS = [
    (300, 48, 16, 9),
    (268, 70, 11, 6),
    (502, 66, 9, 6),
    (420, 44, 12, 8),
    (560, 268, 8, 14),
    (92, 151, 8, 4),
    (452, 44, 9, 6),
]
HILLS = [(534, 84, 20, 13), (64, 126, 22, 13)]
BARE = [(30, 28, 236, 97), (470, 288, 572, 398), (338, 30, 372, 56)]  # left, top, right, bottom: kept for title and key


def frame_mask() -> NDArray[np.uint8]:
    left, top, right, bottom = FRAME
    return places.plan_mask([np.array([(left, top), (right, top), (right, bottom), (left, bottom)])])


def water_mask(town: Town) -> NDArray[np.uint8]:
    """(rows, cols) uint8 0/1 at PLAN px per mm: sea and river inside the frame."""
    water = ((places.plan_mask([town.land]) == 0) | (places.plan_mask([town.river]) > 0)).astype(
        np.uint8
    ) * frame_mask()
    water[places.plan_mask([pens.curve(places.ISLAND, closed=True)]) > 0] = 0
    for x, y, radius in places.SKERRIES:
        cv2.circle(water, (int(x * PLAN), int(y * PLAN)), int(radius * PLAN), 0, -1)
    for mole in places.MOLES:
        cv2.polylines(water, [np.round(pens.curve(mole) * PLAN).astype(np.int32)], False, 0, 14)
    return np.asarray(water, np.uint8)


def to_desk(desk: Desk, mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A plan mask (0..255) at the desk's resolution, its steps rounded off."""
    size = (desk.tooth.shape[1], desk.tooth.shape[0])
    smooth = cv2.GaussianBlur(cv2.resize(mask, size, interpolation=cv2.INTER_LINEAR), (0, 0), 0.2 * desk.scale)
    return np.asarray(smooth, np.uint8)


def sea(desk: Desk, town: Town) -> None:
    """Blue washes, deeper along the shore, and the shore's lines repeated outward."""
    water = water_mask(town)
    way = cv2.distanceTransform(water, cv2.DIST_L2, 5) / PLAN
    strength = water * (120 + 100 * np.exp(-way / 9) + 35 * np.exp(-way / 40))
    full = to_desk(desk, strength.astype(np.uint8))
    full[to_desk(desk, water * np.uint8(255)) < 128] = 0
    pens.wash(desk, full, pigment=SEA, edge=0.45, ragged=0.2, rough=1.15)
    rim = to_desk(desk, ((way > 0.2) & (way < 3.4)).astype(np.uint8) * np.uint8(110))
    rim[full == 0] = 0
    pens.wash(desk, rim, pigment=SHALLOW, edge=0.3, ragged=0.9)
    shore_lines(desk, np.where(frame_mask() > 0, water, 1).astype(np.uint8))


def shore_lines(desk: Desk, water: NDArray[np.uint8]) -> None:
    """Lines along the shore, ever farther apart and more broken the farther out."""
    way = cv2.GaussianBlur(cv2.distanceTransform(water, cv2.DIST_L2, 5) / PLAN, (0, 0), 2.0)
    left, top, right, bottom = FRAME
    for index, far in enumerate((1.0, 2.2, 3.7, 5.5, 7.7, 10.4, 13.7, 17.8)):
        rims, _ = cv2.findContours((way > far).astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for rim in rims:
            smooth = cv2.GaussianBlur(rim[:, 0].astype(np.float32), (1, 19), 3.0, borderType=cv2.BORDER_REPLICATE)
            line = np.asarray(smooth[:: PLAN // 2], np.float64) / PLAN
            inside = (line > [left + 0.5, top + 0.5]).all(1) & (line < [right - 0.5, bottom - 0.5]).all(1)
            _dashes(desk, line, np.asarray(inside), index)


def _dashes(desk: Desk, line: Points, inside: NDArray[np.bool_], index: int) -> None:
    """One shore line in pieces of random length, with breaks that grow with `index`."""
    at = 0
    while at < len(line) - 6:
        run = int(desk.rng.uniform(30, 150) / (1 + 0.18 * index))
        piece = line[at : at + run][inside[at : at + run]]
        if len(piece) > 6 and np.hypot(*np.diff(piece, axis=0).T).max() < 2:
            pens.pen(desk, piece, width=0.26 - 0.016 * index, ink="blue", shake=0.06, taper=0.15)
        at += run + int(desk.rng.uniform(0, 2 + 3.2 * index))


def waves(desk: Desk, town: Town, count: int = 150) -> None:
    """Small wave marks on the open water."""
    way = cv2.distanceTransform(water_mask(town), cv2.DIST_L2, 5) / PLAN
    rows, cols = np.nonzero(way > 20)
    for pick in desk.rng.choice(len(rows), count, replace=False):
        x, y = cols[pick] / PLAN, rows[pick] / PLAN
        wide = desk.rng.uniform(2.2, 4.5)
        if x - wide > FRAME[0] + 2 and x + 2 * wide < FRAME[2] - 2 and y < FRAME[3] - 3:
            arc = [(x - wide, y), (x - wide / 2, y - 0.55), (x, y + 0.1), (x + wide / 2, y - 0.55), (x + wide, y)]
            pens.pen(desk, pens.curve(arc), width=0.22, ink="blue", shake=0.05, taper=0.3)


def fields(desk: Desk, town: Town) -> None:
    """A quilt of fields near the town, thinning out until the paper is white."""
    ground = (places.plan_mask([town.land]) > 0) & (places.plan_mask([town.river]) == 0) & (frame_mask() > 0)
    built = places.plan_mask([np.array(places.TOWN), *[np.array(park) for park in places.PARKS.values()]]) == 0
    off = cv2.distanceTransform(built.astype(np.uint8), cv2.DIST_L2, 5) / PLAN
    shore = cv2.distanceTransform(ground.astype(np.uint8), cv2.DIST_L2, 5) / PLAN
    open_ground = (off > 5) & (shore > 4)
    bare = np.zeros(open_ground.shape, np.bool_)
    for left, top, right, bottom in BARE:
        bare[top * PLAN : bottom * PLAN, left * PLAN : right * PLAN] = True
    open_ground &= places.plan_mask([_ring(x, y, 1.3 * rx, 1.3 * ry) for x, y, rx, ry in HILLS]) == 0
    for line in places.LINES:
        road = places.plan_mask([]).copy()
        cv2.polylines(road, [np.round(line.way * PLAN).astype(np.int32)], False, 1, 5 * PLAN)
        open_ground &= road == 0
    open_ground &= places.plan_mask([np.array(SALT)]) == 0
    sites = np.stack(np.meshgrid(np.arange(10, 594, 19.0), np.arange(10, 420, 15.0)), -1).reshape(-1, 2)
    sites += desk.rng.uniform(-6.5, 6.5, sites.shape)
    y, x = np.mgrid[: open_ground.shape[0], : open_ground.shape[1]] / PLAN
    bend = np.stack([x + 1.3 * np.sin(y / 7), y + 1.3 * np.sin(x / 8)], -1)
    gap, owner = cKDTree(sites).query(bend[::2, ::2].reshape(-1, 2), k=2)
    shape = (open_ground.shape[0] // 2, open_ground.shape[1] // 2)
    inner = ((gap[:, 1] - gap[:, 0]) > 1.0).reshape(shape) & open_ground[::2, ::2]
    for index in range(len(sites)):
        cell = (inner & (owner[:, 0].reshape(shape) == index)).astype(np.uint8)
        far = float(
            off[min(int(sites[index, 1] * PLAN), off.shape[0] - 1), min(int(sites[index, 0] * PLAN), off.shape[1] - 1)]
        )
        if cell.sum() > 120 and not bare[::2, ::2][cell > 0].any() and desk.rng.uniform() < 1.25 * np.exp(-far / 42):
            rims, _ = cv2.findContours(cell, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
            rim = cv2.approxPolyDP(max(rims, key=cv2.contourArea), 1.2, True)[:, 0] * 2 / PLAN
            if len(rim) > 2:
                _field(desk, rim, max(0.25, float(np.exp(-far / 50))))


def _field(desk: Desk, rim: Points, strength: float) -> None:
    """One field: its wash, its hedge, and furrows, pasture or orchard."""
    kind = int(desk.rng.integers(5))
    tone = (MEADOW, STUBBLE, EARTH, MEADOW, GRASS)[kind]
    pens.wash(desk, pens.mask_of(desk, [rim], [int(235 * strength)]), pigment=tone, edge=0.5, ragged=0.4)
    pens.outline(desk, rim, width=0.2, over=0.1)
    angle = float(desk.rng.uniform(0, np.pi))
    if kind in (1, 2):
        pens.hatch(desk, rim, angle=angle, gap=desk.rng.uniform(1.0, 1.7), width=0.16, gaps=0.3)
    else:
        inside = rim.mean(0) + desk.rng.normal(0, 0.32, (60 if kind != 4 else 9, 2)) * np.ptp(rim, axis=0) / 1.3
        inside = np.array(
            [p for p in inside if cv2.pointPolygonTest(rim.astype(np.float32), tuple(map(float, p)), True) > 0.8]
        ).reshape(-1, 2)
        if kind == 4:
            trees(desk, inside, 1.25)
        elif len(inside):
            pens.ticks(desk, inside, ends=inside + [0.15, -0.75], width=0.2)
            pens.ticks(desk, inside + [0.5, 0], ends=inside + [0.75, -0.6], width=0.2)


def trees(desk: Desk, at: Points, radius: float = 1.1) -> None:
    """Round trees seen from above and a little from the south: crown, shade on the right, cast shadow."""
    if not len(at):
        return
    at = at[np.argsort(at[:, 1])]
    turn = np.linspace(0, 2 * np.pi, 9, endpoint=False)
    crowns = []
    for x, y in at:
        wide = radius * desk.rng.uniform(0.75, 1.25) * (1 + 0.13 * desk.rng.standard_normal(9))
        crowns.append(pens.curve(np.stack([x + wide * np.cos(turn), y + wide * np.sin(turn)], 1), 0.3, closed=True))
    pens.wash(
        desk,
        pens.mask_of(desk, [crown + [0.5, 0.55] for crown in crowns], [130] * len(crowns)),
        pigment=(0.5, 0.45, 0.35),
        edge=0.2,
    )
    pens.wash(
        desk, pens.mask_of(desk, crowns, desk.rng.integers(140, 255, len(crowns))), pigment=LEAF, edge=0.5, ragged=0.15
    )
    for crown, (x, y) in zip(crowns, at, strict=True):
        pens.fill(desk, crown, layer=desk.inks["black"], value=0)
        pens.pen(desk, crown, width=0.2, shake=0.03)
        shade = np.linspace(-0.5, 1.5, 5)[:, None]
        rim = np.array([x, y]) + radius * np.hstack([np.cos(shade), np.sin(shade)]) * 0.82
        pens.ticks(desk, rim, ends=rim + [-0.1 * radius, -0.42 * radius], width=0.16)


def woods(desk: Desk) -> None:
    """Clumps of trees."""
    for x, y, rx, ry in WOODS:
        count = int(rx * ry * 0.42)
        turn, far = desk.rng.uniform(0, 2 * np.pi, count), np.sqrt(desk.rng.uniform(0, 1, count))
        trees(desk, np.stack([x + rx * far * np.cos(turn), y + ry * far * np.sin(turn)], 1), 1.55)


def hills(desk: Desk) -> None:
    """Hachures down the slopes, thicker on the side away from the light."""
    for x, y, rx, ry in HILLS:
        pens.wash(
            desk,
            pens.mask_of(desk, [_ring(x + 1, y + 1, rx, ry)], [150]),
            pigment=(0.16, 0.17, 0.30),
            edge=0.15,
            ragged=1.0,
        )
        for share, count in ((0.62, 56), (0.86, 80), (1.1, 104)):
            turn = np.linspace(0, 2 * np.pi, count) + desk.rng.normal(0, 0.018, count)
            ray = np.stack([np.cos(turn), np.sin(turn)], 1) * [rx, ry]
            keep = desk.rng.uniform(size=count) < 0.62 + 0.38 * np.cos(turn - 0.8)
            start, stop = (
                [x, y] + ray * share,
                [x, y] + ray * (share + 0.17 + desk.rng.uniform(0, 0.07, count))[:, None],
            )
            pens.ticks(desk, start[keep], ends=stop[keep], width=0.26, point=0.25)


def _ring(x: float, y: float, rx: float, ry: float) -> Points:
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    return np.stack([x + rx * np.cos(turn), y + ry * np.sin(turn)], 1)


def salt_pans(desk: Desk) -> None:
    """Shallow square ponds beyond the last stop."""
    a, b, c, d = (np.array(p, np.float64) for p in SALT)
    pans = []
    for i in range(4):
        for j in range(5):
            u, v = (np.array([i, i + 1]) + [0.07, -0.07]) / 4, (np.array([j, j + 1]) + [0.07, -0.07]) / 5
            pans.append(
                np.array(
                    [
                        (1 - v[q]) * ((1 - u[p]) * a + u[p] * b) + v[q] * ((1 - u[p]) * d + u[p] * c)
                        for p, q in ((0, 0), (1, 0), (1, 1), (0, 1))
                    ]
                )
            )
    pens.wash(desk, pens.mask_of(desk, pans, desk.rng.integers(70, 255, len(pans))), pigment=SHALLOW, edge=0.8)
    for pan in pans:
        pens.outline(desk, pan, width=0.24)
        if desk.rng.uniform() < 0.5:
            pens.hatch(desk, pan, angle=0.05, gap=1.2, width=0.14, gaps=0.6)
