"""I am the desktop scanner that the demonstration map is scanned on, piece by piece, with all its small faults.

In: the sheet in linear light at twice the scans' resolution. Out: 8-bit scans and the true numbers behind them.

A bed point (u, v) in mm, u along the lamp and v along the head's travel, looks at the sheet at
`center + R(turn) ((u, v) + travel(v) + lift - bed / 2)`; its light is multiplied by
the lamp's fall-off and the piece's gain.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.imaging import transfer as light

Floats = NDArray[np.float32]
Mm = NDArray[np.float64]

BED = (216.0, 297.0)  # width along the lamp, length along the head's travel, mm
LID = (0.66, 0.665, 0.655)  # linear light of the lid
LIFT_MM, LIFT_DARK, LIFT_SHIFT_MM = 8.0, 0.36, 0.30
SOFT_PX = 0.5  # the lens: a Gaussian of this sigma in scan px
NOISE = 0.0020  # standard deviation of linear light at white
FALLOFF, TILT = 0.050, 0.008  # loss at the lamp's ends, and how much more on the right
TRAVEL = {"v": ((0.085, 118.0, 0.6), (0.035, 41.0, 2.1)), "u": ((0.040, 163.0, 1.3),)}  # amplitude mm, period mm, phase


@dataclass(frozen=True)
class Piece:
    """One scan: file, the bed's center on the sheet (mm), its turn (degrees, x toward y axis), gain per channel."""

    file: str
    center: tuple[float, float]
    turn: float
    gain: tuple[float, float, float]


@dataclass(frozen=True)
class Grain:
    """A grain or hair on the glass: bed place (u, v) mm, length and width mm, angle in degrees, linear light."""

    at: tuple[float, float]
    size: tuple[float, float]
    angle: float
    light: float


PIECES = (
    Piece("tram_map_top_1.tif", (103.6, 144.9), 0.62, (1.0, 1.0, 1.0)),
    Piece("tram_map_top_2.tif", (232.1, 145.8), -1.34, (0.972, 0.969, 0.977)),
    Piece("tram_map_top_3_upside_down.tif", (361.4, 144.2), 180.87, (1.028, 1.035, 1.022)),
    Piece("tram_map_top_4.tif", (490.3, 144.6), -0.41, (0.991, 0.984, 0.986)),
    Piece("tram_map_bottom_1_sideways.tif", (144.8, 315.7), 90.74, (1.016, 1.013, 1.024)),
    Piece("tram_map_bottom_2.png", (349.5, 274.8), 1.47, (0.962, 0.966, 0.961)),
    Piece("tram_map_bottom_3.tif", (490.1, 275.3), -0.58, (1.037, 1.031, 1.038)),
)


def glass_dust(rng: np.random.Generator) -> tuple[Grain, ...]:
    """Ten grains on the glass, two of them hairs; they keep their bed places in every piece."""
    grains = []
    for index in range(10):
        hair = index >= 8
        size = (rng.uniform(3.0, 5.0), 0.16) if hair else tuple(rng.uniform(0.25, 0.7, 2))
        at = (float(rng.uniform(14, BED[0] - 14)), float(rng.uniform(14, BED[1] - 14)))
        grains.append(
            Grain(at, (float(size[0]), float(size[1])), float(rng.uniform(0, 180)), float(rng.uniform(0.05, 0.3)))
        )
    return tuple(grains)


def loose_dust(rng: np.random.Generator) -> tuple[Grain, ...]:
    """A few grains that lie somewhere else in every piece."""
    return tuple(Grain((float(rng.uniform(9, BED[0] - 9)), float(rng.uniform(9, BED[1] - 9))),
                       (float(rng.uniform(0.2, 0.5)), float(rng.uniform(0.2, 0.4))), float(rng.uniform(0, 180)), 0.25)
                 for _ in range(int(rng.integers(3, 7))))  # fmt: skip


def scan(
    sheet: Floats, piece: Piece, *, dpi: float, grains: tuple[Grain, ...], rng: np.random.Generator
) -> NDArray[np.uint8]:
    """One piece as the scanner stores it: (rows, cols, 3) uint8, sRGB curve. `sheet` has 2 dpi."""
    scale = dpi / 25.4
    u, v = np.meshgrid(*((np.arange(round(side * scale)) + 0.5) / scale for side in BED))
    depth, du, dv = lift(piece, u, v, (sheet.shape[1] / (2 * scale), sheet.shape[0] / (2 * scale)))
    x, y = on_sheet(piece, u + travel("u", v) + du, v + travel("v", v) + dv)
    seen = _look(sheet, x * 2 * scale - 0.5, y * 2 * scale - 0.5, depth)
    seen *= (1 - LIFT_DARK * depth[..., None]).astype(np.float32)
    seen *= falloff(u)[..., None].astype(np.float32)
    _dirty(seen, grains, scale)
    seen += NOISE * np.sqrt(np.clip(seen, 0.05, 1)) * rng.standard_normal(seen.shape, dtype=np.float32)
    stored = light.to_stored(seen * np.asarray(piece.gain, np.float32), "uint8", light.transfer_of(None))
    return np.asarray(stored, np.uint8)


def on_sheet(piece: Piece, u: Mm, v: Mm) -> tuple[Mm, Mm]:
    """Where a bed point (mm) without faults looks at the sheet (mm)."""
    turn = np.deg2rad(piece.turn)
    du, dv = u - BED[0] / 2, v - BED[1] / 2
    x = piece.center[0] + np.cos(turn) * du - np.sin(turn) * dv
    return x, piece.center[1] + np.sin(turn) * du + np.cos(turn) * dv


def travel(axis: str, v: Mm) -> Mm:
    """Error (mm) of the place looked at along one bed axis when the head is at v mm."""
    return np.asarray(sum(a * np.sin(2 * np.pi * v / period + phase) for a, period, phase in TRAVEL[axis]))


def falloff(u: Mm) -> Mm:
    """Light of the lamp along the bed, 1 in the middle."""
    across = (u - BED[0] / 2) / (BED[0] / 2)
    return np.asarray(1 - FALLOFF * across**2 - TILT * across)


def lift(piece: Piece, u: Mm, v: Mm, size: tuple[float, float]) -> tuple[Mm, Mm, Mm]:
    """How far the sheet is off the glass (0..1) and the shift (mm) this makes, where the sheet hangs over the frame."""
    depth, du, dv = np.zeros_like(u), np.zeros_like(u), np.zeros_like(u)
    sides = ((u, v, (-12, BED[1] / 2), (1, 0)), (BED[0] - u, v, (BED[0] + 12, BED[1] / 2), (-1, 0)),
             (v, u, (BED[0] / 2, -12), (0, 1)), (BED[1] - v, u, (BED[0] / 2, BED[1] + 12), (0, -1)))  # fmt: skip
    for distance, along, beyond, inward in sides:
        x, y = on_sheet(piece, np.array(beyond[0]), np.array(beyond[1]))
        if 0 < x < size[0] and 0 < y < size[1]:
            reach = LIFT_MM * (0.86 + 0.14 * np.sin(along / 23 + piece.turn))
            side = np.clip(1 - distance / reach, 0, 1) ** 2
            du, dv = du + inward[0] * LIFT_SHIFT_MM * side, dv + inward[1] * LIFT_SHIFT_MM * side
            depth = np.maximum(depth, side)
    return depth, du, dv


def _look(sheet: Floats, x: Mm, y: Mm, depth: Mm) -> Floats:
    """Sheet light through the lens at pixels (x, y), softer where the sheet is lifted, the lid where it ends."""
    x32, y32 = x.astype(np.float32), y.astype(np.float32)
    sharp = cv2.remap(
        cv2.GaussianBlur(sheet, (0, 0), 2 * SOFT_PX), x32, y32, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    soft = cv2.remap(
        cv2.GaussianBlur(sheet, (0, 0), 5 * SOFT_PX), x32, y32, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    share = np.minimum(2 * depth, 1)[..., None].astype(np.float32)
    inside = np.minimum(np.minimum(x, sheet.shape[1] - 1 - x), np.minimum(y, sheet.shape[0] - 1 - y))
    cover = np.clip(inside / 2 + 0.5, 0, 1)[..., None].astype(np.float32)
    # the sheet's edge casts a narrow shadow on the lid
    shade = 1 - 0.35 * np.exp(-np.maximum(-inside, 0) / 5)[..., None].astype(np.float32)
    return np.asarray((sharp * (1 - share) + soft * share) * cover + np.asarray(LID, np.float32) * shade * (1 - cover))


def _dirty(seen: Floats, grains: tuple[Grain, ...], scale: float) -> None:
    """Put grains into the light of a scan; `seen` is changed."""
    for grain in grains:
        at = tuple(round((c * scale - 0.5) * 16) for c in grain.at)
        axes = tuple(max(round(c / 2 * scale * 16), 9) for c in grain.size)
        mask = np.zeros(seen.shape[:2], np.float32)
        cv2.ellipse(mask, at, axes, grain.angle, 0, 360, 1.0, -1, cv2.LINE_8, 4)
        share = cv2.GaussianBlur(mask, (0, 0), 0.55)[..., None]
        seen *= 1 - share
        seen += share * np.float32(grain.light)
