"""I paint a small sheet and cut it into scans whose truth is known, so that tests can measure instead of guess.

In: sizes in px and a number to draw luck from. Out: linear light, tiles with true numbers, a folder of TIFF files.

Frames and words are the package's: arrays (row, col, channel), points (x, y), pixel center at whole numbers.
The usual way, half a second for 3 x 2 tiles of 400 x 500 px:

    sheet, tiles = truth.make_set(3, 2, seed=1)                        # clean, upright within 1 degree
    sheet, tiles = truth.make_set(3, 2, seed=1, faults=truth.REAL)     # gain, fall-off, noise, lift, dust, travel
    paths = truth.write_set(tmp_path, tiles, dpi=300, icc=truth.SRGB)

By hand, with turns and blank paper:

    sheet = truth.paint_sheet(700, 900, 1, blank=(0.4, 0.6))           # nothing drawn on columns 360..540
    poses = [truth.pose(200, 250, 0.0), truth.pose(600, 250, 180.0)]   # tile centre on the sheet px, turn in degrees
    tiles = truth.cut_tiles(sheet, poses, shape=(400, 500), dtype="uint16")

A tile's light is `gain * (shading * sheet(sheet_from_tile @ (x + travel_x(y), y + travel_y(y), 1)) + noise)`, stored
with the sRGB curve. `sheet_from_tile` is the similarity alone; `travel`, the bed's error, comes before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import ImageCms
from scipy import ndimage

from stitchbed.imaging import transfer as light

Floats = NDArray[np.float32]
Matrix = NDArray[np.float64]
Shape = tuple[int, int]
Mask = NDArray[np.bool_]

SRGB: bytes = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
PAPER = (0.84, 0.82, 0.76)
INKS = ((0.02, 0.02, 0.025), (0.03, 0.03, 0.10), (0.10, 0.03, 0.02), (0.02, 0.07, 0.04))
WASHES = ((0.35, 0.55, 0.66), (0.70, 0.45, 0.28), (0.45, 0.60, 0.30), (0.72, 0.66, 0.35), (0.60, 0.42, 0.52))
LID = 0.62  # linear light of the scanner's lid where the sheet ends


@dataclass(frozen=True)
class Faults:
    """What the scanner does to the sheet; all zero = a perfect scanner.

    gain, tint : spread (standard deviation) of each tile's gain, common to the channels and per channel.
    falloff : loss of light at the bed's left and right edge, share (same for all tiles).
    noise : standard deviation, linear light at white (it grows with the root of light from a third of that at black).
    lift_px : width of the zone at each side of the bed beyond which the sheet goes on; 0 = lies flat.
    lift_dark, lift_shift_px : loss of light (share) and inward shift at the very edge of that zone.
    travel_px : amplitude of the slow error along the rows, (x, y) px; same for all tiles.
    dust : number of opaque grains on the glass, at the same bed pixels in all tiles.
    """

    gain: float = 0.0
    tint: float = 0.0
    falloff: float = 0.0
    noise: float = 0.0
    lift_px: float = 0.0
    lift_dark: float = 0.35
    lift_shift_px: float = 1.5
    travel_px: tuple[float, float] = (0.0, 0.0)
    dust: int = 0


CLEAN = Faults()
REAL = Faults(gain=0.03, tint=0.01, falloff=0.04, noise=0.006, lift_px=14.0, travel_px=(0.2, 0.5), dust=8)


@dataclass(frozen=True)
class TrueTile:
    """One cut tile and everything that was done to it.

    name : file stem.   pixels : (h, w, 3) uint8/uint16, sRGB curve.   sheet_from_tile : 3x3 similarity.
    gain : (3,).   shading : (h, w) linear factor, 1 in the middle.   travel : (h, 2) px, (x, y) error of each row.
    lifted : (h, w) bool, where the sheet left the glass.   covered : (h, w) bool, where there is sheet and not lid.
    dust : (h, w) bool, grains on the glass.
    """

    name: str
    pixels: NDArray[np.uint8] | NDArray[np.uint16]
    sheet_from_tile: Matrix
    gain: Floats
    shading: Floats
    travel: Matrix
    lifted: Mask
    covered: Mask
    dust: Mask


def paint_sheet(
    height: int, width: int, seed: int, *, blank: tuple[float, float] | None = None, grain: float = 0.012
) -> Floats:
    """(height, width, 3) float32 linear light: ink strokes and flat washes on grainy paper, detail everywhere.

    blank : (from, to) as shares of the width: columns of paper only.   grain : relative depth of the paper's tooth.
    The ink's edge is a Gaussian of about 0.7 px, so that the sheet may be resampled without aliasing.
    """
    rng = np.random.default_rng(seed)
    fine = np.ones((2 * height, 2 * width, 3), np.float32) * np.array(PAPER, np.float32)
    for middle in _spread(max(6, height * width // 9000), fine.shape, rng):
        _wash(fine, middle, rng)
    for start in _spread(max(12, height * width // 1500), fine.shape, rng):
        _stroke(fine, start, rng)
    sheet = cv2.resize(cv2.GaussianBlur(fine, (0, 0), 1.2), (width, height), interpolation=cv2.INTER_AREA)
    if blank is not None:
        sheet[:, round(blank[0] * width) : round(blank[1] * width)] = PAPER
    tooth = cv2.GaussianBlur(rng.standard_normal((height, width), dtype=np.float32), (0, 0), 1.1)
    painted: Floats = np.clip(sheet * (1 + grain * 3.9 * tooth[..., None]), 0, 1)  # 3.9 = 2 sqrt(pi) 1.1: unit variance
    return painted


def pose(x: float, y: float, degrees: float, *, shape: Shape = (400, 500), scale: float = 1.0) -> Matrix:
    """sheet_from_tile with the tile's middle at sheet (x, y) px, turned by `degrees` (x toward y), times `scale`."""
    turn = np.deg2rad(degrees)
    cos, sin = scale * np.cos(turn), scale * np.sin(turn)
    if degrees % 90 == 0:  # exact quarter turns, so that they can be compared with np.rot90 bit for bit
        cos, sin = scale * np.round(np.cos(turn)), scale * np.round(np.sin(turn))
    mx, my = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    return np.array([[cos, -sin, x - cos * mx + sin * my], [sin, cos, y - sin * mx - cos * my], [0, 0, 1]])


def grid_poses(
    rows: int, cols: int, *, shape: Shape = (400, 500), overlap: float = 0.28, turn: float = 1.0, seed: int = 0
) -> tuple[list[Matrix], tuple[int, int]]:
    """Poses of a grid of tiles in reading order and the (height, width) of the sheet they cover.

    overlap : share of the tile's side.   turn : turns are even within +-turn degrees, middles within +-2 % of the side.
    """
    rng = np.random.default_rng([seed, 77])
    step = np.array(shape) * (1 - overlap)
    size = (round((rows - 1) * step[0] + shape[0]), round((cols - 1) * step[1] + shape[1]))
    poses = []
    for row in range(rows):
        for col in range(cols):
            dx, dy = rng.uniform(-0.02, 0.02, 2) * shape[::-1]
            x, y = col * step[1] + (shape[1] - 1) / 2 + dx, row * step[0] + (shape[0] - 1) / 2 + dy
            poses.append(pose(float(x), float(y), float(rng.uniform(-turn, turn)), shape=shape))
    return poses, size


def make_set(
    rows: int, cols: int, *, seed: int = 0, shape: Shape = (400, 500), faults: Faults = CLEAN, dtype: str = "uint8"
) -> tuple[Floats, list[TrueTile]]:
    """A painted sheet and the grid of tiles cut from it."""
    poses, size = grid_poses(rows, cols, shape=shape, seed=seed)
    sheet = paint_sheet(*size, seed)
    return sheet, cut_tiles(sheet, poses, shape=shape, faults=faults, seed=seed, dtype=dtype)


def cut_tiles(
    sheet: Floats,
    poses: Sequence[Matrix],
    *,
    shape: Shape = (400, 500),
    faults: Faults = CLEAN,
    seed: int = 0,
    dtype: str = "uint8",
) -> list[TrueTile]:
    """Scan the sheet at each pose (sheet_from_tile); tile 0 has gain 1, the others draw theirs from `faults`.

    Resampling is a cubic B-spline through the sheet's pixels: exact at whole pixels, no rounding of positions.
    """
    rng = np.random.default_rng([seed, 5])
    filtered = [ndimage.spline_filter(sheet[..., c], order=3, output=np.float32, mode="mirror") for c in range(3)]
    soft = np.asarray(cv2.GaussianBlur(sheet, (0, 0), 2.0), np.float32) if faults.lift_px else None
    dust = _dust(shape, faults, rng)
    cut = []
    for index, matrix in enumerate(poses):
        drift = faults.gain * rng.standard_normal() + faults.tint * rng.standard_normal(3)
        gain = np.ones(3) if index == 0 else np.exp(drift)
        seen = _scan(np.stack(filtered), soft, np.asarray(matrix, np.float64), shape, faults)
        shading = _shading(shape, faults)
        lit = _stored_light(seen[0] * shading[..., None], gain, dust, faults, rng)
        pixels = light.to_stored(lit, dtype, light.transfer_of(None))
        cut.append(TrueTile(
            f"piece_{index + 1:02d}", pixels, np.asarray(matrix, np.float64), gain.astype(np.float32), shading,
            _travel(shape, faults), seen[1], seen[2], dust,
        ))  # fmt: skip
    return cut


def write_set(folder: Path, tiles: Sequence[TrueTile], dpi: float = 300, icc: bytes | None = SRGB) -> list[Path]:
    """Write each tile as `<name>.tif` (deflate, with dpi and profile) into the folder; returns the paths in order."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / f"{tile.name}.tif" for tile in tiles]
    for path, tile in zip(paths, tiles, strict=True):
        tifffile.imwrite(
            path, tile.pixels, photometric="rgb", compression="zlib", predictor=True, resolution=(dpi, dpi),
            resolutionunit="INCH", iccprofile=icc, metadata=None,
        )  # fmt: skip
    return paths


def _spread(count: int, shape: tuple[int, ...], rng: np.random.Generator) -> NDArray[np.float64]:
    """(count, 2) points (x, y) that leave no part empty: additive recurrence with the plastic number, from memory."""
    steps = np.arange(count)[:, None] * np.array([0.7548776662, 0.5698402910])
    return np.asarray((steps + rng.uniform(0, 1, 2)) % 1 * np.array([shape[1], shape[0]]), np.float64)


def _wash(fine: Floats, middle: NDArray[np.float64], rng: np.random.Generator) -> None:
    """One flat blot of color with a ragged outline, multiplied in."""
    height, width = fine.shape[:2]
    angles = np.linspace(0, 2 * np.pi, 14, endpoint=False)
    radius = rng.uniform(20, 70) * rng.uniform(0.6, 1.3, 14)
    points = (middle + np.stack([np.cos(angles), np.sin(angles)], 1) * radius[:, None]).astype(np.int32)
    tint = np.array(WASHES[rng.integers(len(WASHES))], np.float32) / np.array(PAPER, np.float32)
    x, y, w, h = cv2.boundingRect(points)
    x0, y0, x1, y1 = max(x, 0), max(y, 0), min(x + w, width), min(y + h, height)
    mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
    cv2.fillPoly(mask, [points - np.array([x0, y0], np.int32)], 1)
    part = fine[y0:y1, x0:x1]
    part[mask > 0] *= np.minimum(tint, 1)


def _stroke(fine: Floats, start: NDArray[np.float64], rng: np.random.Generator) -> None:
    """One bent pen line of even width."""
    headings = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.25, 12))
    steps = np.stack([np.cos(headings), np.sin(headings)], 1) * rng.uniform(4, 18)
    points = np.round((start + np.cumsum(steps, axis=0)) * 16).astype(np.int32)
    color = INKS[rng.integers(len(INKS))]
    cv2.polylines(fine, [points], False, color, int(rng.integers(3, 8)), cv2.LINE_8, 4)


def _scan(
    smooth: Floats, soft: Floats | None, matrix: Matrix, shape: Shape, faults: Faults
) -> tuple[Floats, Mask, Mask]:
    """Light, lifted mask and covered mask of one tile, before gain and shading."""
    height, width = smooth.shape[1:]
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float64)
    travel = _travel(shape, faults)
    x, y = x + travel[:, :1], y + travel[:, 1:]
    depth, x, y = _lift(matrix, (height, width), faults, x, y)
    u = matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]
    v = matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]
    seen = np.stack([ndimage.map_coordinates(s, (v, u), order=3, prefilter=False, mode="mirror") for s in smooth], -1)
    if soft is not None:
        u32, v32 = u.astype(np.float32), v.astype(np.float32)
        blurred = cv2.remap(soft, u32, v32, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        share = np.minimum(2 * depth, 1)[..., None]
        seen = (seen * (1 - share) + blurred * share) * (1 - faults.lift_dark * depth[..., None])
    inside = np.minimum(np.minimum(u, width - 1 - u), np.minimum(v, height - 1 - v)) + 1
    cover = np.clip(inside, 0, 1)[..., None]
    return (seen * cover + LID * (1 - cover)).astype(np.float32), depth > 0, cover[..., 0] >= 1


def _lift(matrix: Matrix, size: tuple[int, int], faults: Faults, x: Matrix, y: Matrix) -> tuple[Matrix, Matrix, Matrix]:
    """How far the sheet is off the glass (0..1 at the bed's edge) and where each pixel then looks."""
    rows, cols = x.shape
    depth = np.zeros((rows, cols))
    if faults.lift_px <= 0:
        return depth, x, y
    row, col = np.arange(rows)[:, None], np.arange(cols)[None, :]
    x, y = x.copy(), y.copy()
    left, right = (col, (-9, rows / 2), (1, 0)), (cols - 1 - col, (cols + 8, rows / 2), (-1, 0))
    top, foot = (row, (cols / 2, -9), (0, 1)), (rows - 1 - row, (cols / 2, rows + 8), (0, -1))
    for distance, outside, inward in (left, right, top, foot):
        beyond = matrix @ (*outside, 1.0)
        if 0 <= beyond[0] < size[1] and 0 <= beyond[1] < size[0]:
            side = np.clip(1 - distance / faults.lift_px, 0, 1) ** 2 + np.zeros((rows, cols))
            x, y = x + inward[0] * faults.lift_shift_px * side, y + inward[1] * faults.lift_shift_px * side
            depth = np.maximum(depth, side)
    return depth, x, y


def _travel(shape: Shape, faults: Faults) -> Matrix:
    """(h, 2) px: one slow wave and a half of it along the rows, zero in the middle row."""
    phase = np.linspace(-1, 1, shape[0]) * 2.2 * np.pi
    return np.stack([faults.travel_px[0] * np.sin(0.7 * phase), faults.travel_px[1] * np.sin(phase)], 1)


def _shading(shape: Shape, faults: Faults) -> Floats:
    """(h, w) linear factor: the lamp loses light toward both ends, as the square of the way from the middle."""
    across = np.linspace(-1, 1, shape[1], dtype=np.float32) ** 2
    return np.tile(1 - np.float32(faults.falloff) * across, (shape[0], 1))


def _dust(shape: Shape, faults: Faults, rng: np.random.Generator) -> Mask:
    grains = np.zeros(shape, np.uint8)
    for middle in rng.integers([8, 8], [shape[1] - 8, shape[0] - 8], (faults.dust, 2)):
        axes = (int(rng.integers(1, 4)), int(rng.integers(1, 3)))
        cv2.ellipse(grains, (int(middle[0]), int(middle[1])), axes, float(rng.uniform(0, 180)), 0, 360, 1, -1)
    return grains > 0


def _stored_light(seen: Floats, gain: Matrix, dust: Mask, faults: Faults, rng: np.random.Generator) -> Floats:
    """Gain, grains on the glass (near black) and noise."""
    lit = seen.copy()
    lit[dust] = 0.05
    if faults.noise:
        spread = faults.noise * np.sqrt(0.1 + 0.9 * np.clip(lit, 0, 1))
        lit = lit + spread * rng.standard_normal(lit.shape, dtype=np.float32)
    return (lit * gain).astype(np.float32)
