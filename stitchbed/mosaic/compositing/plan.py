"""I am everything rendering needs, and I can be saved, read and compared.

In: the survey's results. Out: one frozen value; a pure function of it and the originals makes the canvas.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from stitchbed.imaging.box import Box
from stitchbed.mosaic.compositing.seams import SeamMap
from stitchbed.mosaic.photometry.gain_compensation import Level
from stitchbed.mosaic.registration.canvas import Canvas, footprint
from stitchbed.mosaic.registration.placement import Placement, Warp
from stitchbed.reading.base.tile import Tile


class OutputKind(Protocol):
    """What the master is to be (see `Plan`)."""

    @property
    def channels(self) -> int: ...
    @property
    def dtype(self) -> str: ...
    @property
    def icc(self) -> bytes | None: ...
    @property
    def alpha(self) -> bool: ...
    @property
    def paper(self) -> tuple[float, ...]: ...


@dataclass(frozen=True)
class Spot:
    """A speck to be taken from another tile: center and radius on the canvas px, tile it is seen in, tile that is
    clean."""

    x: float
    y: float
    radius: float
    seen_in: int
    clean_in: int


@dataclass(frozen=True)
class Plan:
    """All numbers of one join.

    tiles, places (on the canvas), levels : same order. channels : 1 or 3. dtype : of the master. icc : profile or None.
    alpha : whether the master has an alpha channel. paper : linear color (C,) under what no tile sees. spots :
    specks to replace.
    """

    tiles: tuple[Tile, ...]
    canvas: Canvas
    places: tuple[Placement, ...]
    levels: tuple[Level, ...]
    seams: SeamMap
    channels: int
    dtype: str
    icc: bytes | None
    alpha: bool = False
    paper: tuple[float, ...] = (1.0,)
    spots: tuple[Spot, ...] = ()

    @cached_property
    def footprints(self) -> tuple[Box, ...]:
        """The box of the canvas each piece can touch; asked for at each part of the canvas, of all pieces."""
        bounds = Box(0, 0, self.canvas.height, self.canvas.width)
        return tuple(footprint(place, bounds) for place in self.places)


def packed(plan: Plan) -> dict[str, NDArray[np.generic]]:
    """The survey's numbers as named arrays (for np.savez): everything but the tiles and the output's kind."""
    arrays: dict[str, NDArray[np.generic]] = {
        "canvas_size": np.array([plan.canvas.height, plan.canvas.width]),
        "dpi": np.array(plan.canvas.dpi),
        "canvas_from_sheet": plan.canvas.canvas_from_sheet,
        "seam_labels": plan.seams.labels,
        "seam_cell": np.array(plan.seams.cell),
        "spots": np.array([(s.x, s.y, s.radius, s.seen_in, s.clean_in) for s in plan.spots]).reshape(-1, 5),
    }
    for i, (place, level) in enumerate(zip(plan.places, plan.levels, strict=True)):
        arrays |= packed_piece(i, place, level)
    return arrays


def packed_piece(i: int, place: Placement, level: Level) -> dict[str, NDArray[np.generic]]:
    """The numbers of one piece as arrays named by its index."""
    arrays: dict[str, NDArray[np.generic]] = {
        f"matrix_{i}": place.sheet_from_tile,
        f"sigma_{i}": np.array(place.sigma),
        f"barred_{i}": np.array(place.barred, np.float64).reshape(-1, 4),
    }
    arrays |= {f"gain_{i}": level.gain, f"offset_{i}": level.offset, f"curve_{i}": level.curve}
    arrays |= {f"shading_{i}": level.shading, f"shading_spacing_{i}": np.array(level.spacing)}
    if place.warp is not None:
        arrays |= {f"warp_{i}": place.warp.shift, f"warp_spacing_{i}": np.array(place.warp.spacing)}
    return arrays


def piece_marks(plan: Plan) -> list[bytes]:
    """Of each piece, what its pixels on the canvas depend on besides its file, as one word."""
    marks = []
    for place, level in zip(plan.places, plan.levels, strict=True):
        content = hashlib.sha256(place.tile.encode("utf-8", "surrogateescape"))
        for name, array in sorted(packed_piece(0, place, level).items()):
            content.update(f"{name} {array.dtype} {array.shape}\n".encode())
            content.update(np.ascontiguousarray(array).tobytes())
        marks.append(content.digest())
    return marks


def unpacked(arrays: Mapping[str, NDArray[np.generic]], tiles: tuple[Tile, ...], kind: OutputKind) -> Plan:
    """The plan again; `kind` gives channels, dtype, icc, alpha and paper."""
    places, levels = [], []
    for i, tile in enumerate(tiles):
        warp = None
        if f"warp_{i}" in arrays:
            warp = Warp(np.asarray(arrays[f"warp_{i}"], float), float(arrays[f"warp_spacing_{i}"]))
        matrix, sigma = np.asarray(arrays[f"matrix_{i}"], float), float(arrays[f"sigma_{i}"])
        boxes = np.asarray(arrays[f"barred_{i}"], float).tolist()
        barred = tuple((left, top, width, height) for left, top, width, height in boxes)
        places.append(Placement(tile.name, tile.raster.shape[:2], matrix, warp, sigma, barred))
        gain, offset = np.asarray(arrays[f"gain_{i}"], float), np.asarray(arrays[f"offset_{i}"], float)
        shading, spacing = np.asarray(arrays[f"shading_{i}"], float), float(arrays[f"shading_spacing_{i}"])
        levels.append(Level(tile.name, gain, offset, shading, spacing, np.asarray(arrays[f"curve_{i}"], float)))
    height, width = (int(n) for n in arrays["canvas_size"])
    canvas = Canvas(height, width, float(arrays["dpi"]), np.asarray(arrays["canvas_from_sheet"], float))
    spots = tuple(
        Spot(float(s[0]), float(s[1]), float(s[2]), int(s[3]), int(s[4])) for s in np.asarray(arrays["spots"])
    )
    seams = SeamMap(np.asarray(arrays["seam_labels"], np.uint16), int(arrays["seam_cell"]))
    return Plan(
        tiles,
        canvas,
        tuple(places),
        tuple(levels),
        seams,
        kind.channels,
        kind.dtype,
        kind.icc,
        kind.alpha,
        kind.paper,
        spots,
    )
