"""I draw a tram map of an invented harbor town and scan it in pieces, well or with one planted fault.

In: a number to draw luck from, the name of a fault. Out: pieces (stored pixels, dpi, profile) and which piece is at
fault.

The sheet is drawn at twice the resolution of the scans, so that what a scan holds is sampled and not interpolated.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageCms

Floats = NDArray[np.float32]
Codes = NDArray[np.uint8]

SRGB: bytes = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
DPI = 200.0
BED = (1000, 760)  # px, rows and columns: 127 x 96.5 mm at 200 dpi, a quarter of an A4 bed for speed
OVERLAP = 0.24
PAPER = np.array([0.84, 0.82, 0.77], np.float32)
NOISE = 1.2  # gray levels of 255, standard deviation: a quiet desktop scanner (common practice, no source)


@dataclass(frozen=True)
class Piece:
    """One scan as it is written to a file."""

    name: str
    pixels: Codes
    dpi: float | None = DPI
    icc: bytes | None = SRGB


@dataclass(frozen=True)
class Pose:
    """Middle of the bed on the sheet, px of the scan; turn in degrees."""

    x: float
    y: float
    turn: float


@dataclass(frozen=True)
class Scanner:
    """What happens to one capture, in the order of light: blur px, lift px at sides where the sheet goes on, gain,
    offset,
    noise in gray levels. dust: (row, col, radius) px on the glass.
    """

    blur: float = 0.45
    lift: float = 0.0
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)
    offset: float = 0.0
    noise: float = NOISE
    dust: tuple[tuple[float, float, float], ...] = ()


@lru_cache(maxsize=6)
def map_sheet(height: int, width: int, seed: int) -> Floats:
    """(2 height, 2 width, 3) linear light: streets, tram lines, quays and names on washed paper with a tooth."""
    rng = np.random.default_rng([seed, 11])
    size = 2 * height, 2 * width
    sheet = np.ones((*size, 3), np.float32) * PAPER
    for _ in range(14):  # washes: water, parks, blocks of houses
        middle, reach = rng.uniform((0, 0), size[::-1]), rng.uniform(120, 420)
        angle = np.sort(rng.uniform(0, 2 * np.pi, 9))
        points = middle + reach * np.column_stack([np.cos(angle), np.sin(angle)]) * rng.uniform(0.5, 1, (9, 1))
        left, top = np.clip(points.min(axis=0).astype(int) - 1, 0, size[::-1])
        right, bottom = np.clip(points.max(axis=0).astype(int) + 2, 0, size[::-1])
        cover = np.zeros((bottom - top, right - left), np.uint8)
        cv2.fillPoly(cover, [points.astype(np.int32) - (left, top)], 1) if cover.size else None
        sheet[top:bottom, left:right][cover > 0] *= rng.uniform(0.6, 0.97, 3).astype(np.float32)
    ink = np.full(size, 255, np.uint8)
    for _ in range(height * width // 24000):  # streets and lines
        steps = rng.normal(0, 1, 2) * 30 + np.cumsum(rng.normal(0, 9, (24, 2)), axis=0)
        points = rng.uniform((0, 0), size[::-1]) + np.cumsum(steps, axis=0)
        cv2.polylines(
            ink,
            [np.round(points).astype(np.int32)],
            False,
            int(rng.integers(10, 60)),
            int(rng.integers(3, 9)),
            cv2.LINE_AA,
        )
    for _ in range(height * width // 16000):  # stops and names
        at = tuple(int(v) for v in rng.uniform((0, 0), size[::-1]))
        cv2.circle(ink, at, int(rng.integers(6, 15)), 20, int(rng.integers(2, 5)), cv2.LINE_AA)
        word = "".join(rng.choice(list("AEILNORSTUVK"), int(rng.integers(3, 8))))
        cv2.putText(
            ink, word, (at[0] + 18, at[1]), cv2.FONT_HERSHEY_SIMPLEX, float(rng.uniform(0.5, 1.3)), 30, 2, cv2.LINE_AA
        )
    share = (ink.astype(np.float32) / 255)[..., None]
    tooth = cv2.GaussianBlur(rng.standard_normal(size, dtype=np.float32), (0, 0), 2.0)
    sheet = (0.02 + share * (sheet - 0.02)) * (1 + 0.05 * tooth[..., None])
    sheet.flags.writeable = False
    return sheet


def grid(rows: int, cols: int, rng: np.random.Generator) -> tuple[list[Pose], tuple[int, int]]:
    """Poses in reading order and the sheet's (height, width), px of the scan."""
    step = BED[0] * (1 - OVERLAP), BED[1] * (1 - OVERLAP)
    size = round((rows - 1) * step[0] + BED[0]), round((cols - 1) * step[1] + BED[1])
    poses = []
    for row in range(rows):
        for col in range(cols):
            x = col * step[1] + BED[1] / 2 + rng.uniform(-6, 6)
            y = row * step[0] + BED[0] / 2 + rng.uniform(-6, 6)
            poses.append(Pose(float(x), float(y), float(rng.uniform(-0.8, 0.8))))
    return poses, size


def scan(sheet: Floats, pose: Pose, scanner: Scanner, rng: np.random.Generator, bed: tuple[int, int] = BED) -> Codes:
    """(rows, cols, 3) sRGB codes of one capture; a lid of light gray shows where the sheet ends."""
    turn = np.deg2rad(pose.turn)
    cos, sin = 2 * np.cos(turn), 2 * np.sin(turn)
    mid = (bed[1] - 1) / 2, (bed[0] - 1) / 2
    sheet_from_bed = np.array(
        [[cos, -sin, 2 * pose.x - cos * mid[0] + sin * mid[1]], [sin, cos, 2 * pose.y - sin * mid[0] - cos * mid[1]]]
    )
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    part, part_from_bed = _part_under(sheet, sheet_from_bed, bed)
    seen = cv2.warpAffine(
        cv2.GaussianBlur(part, (0, 0), 2 * scanner.blur), part_from_bed, bed[::-1], flags=flags, borderValue=(0.8,) * 3
    )
    if scanner.lift:
        seen = _lifted(seen, sheet_from_bed, scanner.lift, (sheet.shape[0], sheet.shape[1]))
    for row, col, radius in scanner.dust:
        cv2.circle(seen, (round(col), round(row)), round(radius), (0.06, 0.06, 0.06), -1, cv2.LINE_AA)
    seen = np.clip(seen * np.array(scanner.gain, np.float32) + scanner.offset, 0, 1)
    encoded = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * np.maximum(seen, 1e-6) ** (1 / 2.4) - 0.055)
    noisy = 255 * encoded + scanner.noise * rng.standard_normal(seen.shape, dtype=np.float32)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def _part_under(
    sheet: Floats, sheet_from_bed: NDArray[np.float64], bed: tuple[int, int]
) -> tuple[Floats, NDArray[np.float64]]:
    """The part of the sheet a bed sees, with a margin, and the motion into it."""
    corners = np.array([[0, 0, 1], [bed[1], 0, 1], [bed[1], bed[0], 1], [0, bed[0], 1]], float) @ sheet_from_bed.T
    low = np.maximum(np.floor(corners.min(0)).astype(int) - 20, 0)
    high = np.minimum(np.ceil(corners.max(0)).astype(int) + 20, sheet.shape[1::-1])
    moved = sheet_from_bed.copy()
    moved[:, 2] -= low
    return sheet[low[1] : high[1], low[0] : high[0]], moved


def _lifted(seen: Floats, sheet_from_bed: NDArray[np.float64], reach: float, sheet: tuple[int, int]) -> Floats:
    """Darker and blurred toward the sides of the bed beyond which the sheet goes on."""
    rows, cols = seen.shape[:2]
    row, col = np.arange(rows)[:, None] + np.zeros((1, cols)), np.arange(cols)[None] + np.zeros((rows, 1))
    sides = (
        (col, (-20, rows / 2)),
        (cols - 1 - col, (cols + 20, rows / 2)),
        (row, (cols / 2, -20)),
        (rows - 1 - row, (cols / 2, rows + 20)),
    )
    depth = np.zeros((rows, cols), np.float32)
    for distance, outside in sides:
        x, y = sheet_from_bed @ (*outside, 1.0)
        if 0 <= x < sheet[1] and 0 <= y < sheet[0]:
            depth = np.maximum(depth, np.clip(1 - distance / reach, 0, 1) ** 2)
    soft = cv2.GaussianBlur(seen, (0, 0), 2.5)
    share = np.minimum(2 * depth, 1)[..., None]
    return (seen * (1 - share) + soft * share) * (1 - 0.3 * depth[..., None])


def good_set(seed: int, rows: int = 2, cols: int = 2, scanners: dict[int, Scanner] | None = None) -> list[Piece]:
    """Pieces of one sheet from one scanner, with the small differences every scanner shows."""
    rng = np.random.default_rng([seed, 1])
    poses, size = grid(rows, cols, rng)
    return [
        _piece(index, pose, size, (seed, (scanners or {}).get(index, Scanner())), rng)
        for index, pose in enumerate(poses)
    ]


def _piece(index: int, pose: Pose, size: tuple[int, int], luck: tuple[int, Scanner], rng: np.random.Generator) -> Piece:
    seed, scanner = luck
    gain = np.array(scanner.gain) * (1 + rng.normal(0, 0.01)) * (1 + rng.normal(0, 0.004, 3))
    drifting = replace(scanner, gain=(float(gain[0]), float(gain[1]), float(gain[2])))
    return Piece(f"quay_{index + 1:02d}", scan(map_sheet(*size, seed % 5), pose, drifting, rng))


def _with_scanner(seed: int, at: int, **change: object) -> list[Piece]:
    return good_set(seed, scanners={at: replace(Scanner(), **change)})  # type: ignore[arg-type]


def _changed(seed: int, at: int, change: Callable[[Piece], Piece]) -> list[Piece]:
    pieces = good_set(seed)
    pieces[at] = change(pieces[at])
    return pieces


def _posed(seed: int, at: int, pose: Callable[[Pose], Pose]) -> list[Piece]:
    rng = np.random.default_rng([seed, 1])
    poses, size = grid(2, 2, rng)
    poses[at] = pose(poses[at])
    return [_piece(index, one, size, (seed, Scanner()), rng) for index, one in enumerate(poses)]


def _through_jpeg(piece: Piece, quality: int) -> Piece:
    held = io.BytesIO()
    Image.fromarray(piece.pixels).save(held, "JPEG", quality=quality)
    return replace(piece, pixels=np.asarray(Image.open(held).convert("RGB")))


def _stretched(piece: Piece, factor: float, how: int) -> Piece:
    """Scanned at a lower resolution, then brought to the full number of pixels, as drivers do."""
    size = piece.pixels.shape[1], piece.pixels.shape[0]
    small = cv2.resize(piece.pixels, (round(size[0] / factor), round(size[1] / factor)), interpolation=cv2.INTER_AREA)
    rng = np.random.default_rng(len(piece.name))
    noisy = np.clip(np.rint(small + rng.normal(0, NOISE, small.shape)), 0, 255).astype(np.uint8)
    return replace(piece, pixels=cv2.resize(noisy, size, interpolation=how))


def _dusty(seed: int) -> list[Piece]:
    rng = np.random.default_rng([seed, 3])
    dust = tuple(
        (float(r), float(c), float(a))
        for r, c, a in rng.uniform((40, 40, 1.2), (BED[0] - 40, BED[1] - 40, 2.6), (7, 3))
    )
    return good_set(seed, scanners={index: Scanner(dust=dust) for index in range(4)})


def _apart(seed: int) -> list[Piece]:
    """2 x 3 pieces without the middle column's lower one: the sheet has a hole nobody scanned."""
    pieces = good_set(seed, 2, 3)
    return pieces[:4] + pieces[5:]


def _again(seed: int, at: int) -> list[Piece]:
    pieces = good_set(seed)
    rng = np.random.default_rng([seed, 9])
    soft = cv2.GaussianBlur(pieces[at].pixels, (0, 0), 0.7)  # the worse one of the two
    same = soft.astype(np.float32) + rng.normal(0, 0.7, pieces[at].pixels.shape)
    return [*pieces, Piece("quay_05", np.clip(np.rint(same), 0, 255).astype(np.uint8))]


def planted(fault: str, seed: int) -> tuple[list[Piece], str | None]:
    """Pieces with one fault and the name of the piece that has it (None: the set as a whole)."""
    at = seed % 4
    name = f"quay_{at + 1:02d}"
    linear = replace_curve(SRGB, 1.8)
    turned = 180.0 if seed % 2 else 90.0
    makers: dict[str, Callable[[], list[Piece]]] = {
        "blurred": lambda: _with_scanner(seed, at, blur=1.7),
        "lifted": lambda: _with_scanner(seed, at, lift=48.0),
        "clipped white": lambda: _with_scanner(seed, at, gain=(1.3, 1.3, 1.3)),
        "clipped black": lambda: _with_scanner(seed, at, offset=-0.1),
        "exposure": lambda: _with_scanner(seed, at, gain=(0.8, 0.8, 0.8)),
        "color cast": lambda: _with_scanner(seed, at, gain=(1.04, 1.0, 0.9)),
        "noise": lambda: _with_scanner(seed, at, noise=7.0),
        "jpeg": lambda: _changed(seed, at, lambda p: _through_jpeg(p, 70 + 3 * (seed % 6))),
        "interpolated": lambda: _changed(
            seed,
            at,
            lambda p: _stretched(p, (2.0, 1.5, 2.0, 4 / 3)[seed % 4], (cv2.INTER_CUBIC, cv2.INTER_LINEAR)[seed % 2]),
        ),
        "dust on the glass": lambda: _dusty(seed),
        "skewed": lambda: _posed(seed, at, lambda p: replace(p, turn=p.turn + 5.0)),
        "turned": lambda: _posed(seed, at, lambda p: replace(p, turn=p.turn + turned)),
        "no dpi": lambda: _changed(seed, at, lambda p: replace(p, dpi=None)),
        "wrong dpi": lambda: _changed(seed, at, lambda p: replace(p, dpi=300.0)),
        "profile": lambda: _changed(seed, at, lambda p: replace(p, icc=linear if seed % 2 else None)),
        "gap": lambda: _apart(seed),
        "alone": lambda: _changed(seed, at, lambda p: replace(p, pixels=good_set(seed + 1)[at].pixels)),
        "duplicate": lambda: _again(seed, at),
    }
    whole = fault in ("dust on the glass", "gap")
    return makers[fault](), None if whole else "quay_05" if fault == "duplicate" else name


FAULTS = (
    *("blurred", "lifted", "clipped white", "clipped black", "exposure", "color cast", "noise", "jpeg", "interpolated"),
    *("dust on the glass", "skewed", "turned", "no dpi", "wrong dpi", "profile", "gap", "alone", "duplicate"),
)


def replace_curve(profile: bytes, gamma: float) -> bytes:
    """A profile whose tone curves are a plain gamma (ICC.1:2022, 10.6 curveType)."""
    data = bytearray(profile)
    curve = b"curv" + bytes(4) + (1).to_bytes(4, "big") + round(gamma * 256).to_bytes(2, "big")
    for entry in range(132, 132 + 12 * int.from_bytes(data[128:132], "big"), 12):
        if bytes(data[entry : entry + 4]) in (b"rTRC", b"gTRC", b"bTRC"):
            offset = int.from_bytes(data[entry + 4 : entry + 8], "big")
            data[offset : offset + len(curve)] = curve
            data[entry + 8 : entry + 12] = len(curve).to_bytes(4, "big")
    return bytes(data).replace("sRGB".encode("utf-16-be"), "flat".encode("utf-16-be"))


def write_pieces(folder: Path, pieces: list[Piece]) -> list[Path]:
    """Write the pieces as TIFF files; returns their paths in order."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for piece in pieces:
        path = folder / f"{piece.name}.tif"
        resolution = {"resolution": (piece.dpi, piece.dpi), "resolutionunit": "INCH"} if piece.dpi else {}
        tifffile.imwrite(path, piece.pixels, photometric="rgb", iccprofile=piece.icc, metadata=None, **resolution)
        if piece.dpi is None:
            _drop_resolution(path)
        paths.append(path)
    return paths


def _drop_resolution(path: Path) -> None:
    """Unit 1: numbers without a unit, so no dpi (TIFF 6.0, ResolutionUnit)."""
    with tifffile.TiffFile(path, mode="r+b") as file:
        tags = file.pages[0].tags  # type: ignore[union-attr]
        if 296 in tags:
            tags[296].overwrite(1)


# ------------------------------------------------------------------ one sheet at several resolutions

FINEST_DPI = 4800  # of the drawing that is scanned: a whole multiple of every step, so that pixels collect whole cells


@dataclass(frozen=True)
class Optics:
    """sigma_um: standard deviation of the blur on the sheet. noise: gray levels. turn: degrees, shift: mm."""

    sigma_um: float
    noise: float = 1.5
    turn: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)


@lru_cache(maxsize=2)
def fine_sheet(side_mm: float, seed: int, grain: float = 0.02) -> Floats:
    """(n, n) reflectance at FINEST_DPI: pen lines from 0.05 to 0.4 mm, hatching and small names; a quarter is bare
    paper.
    """
    rng = np.random.default_rng([seed, 21])
    size = round(side_mm / 25.4 * FINEST_DPI)
    px = FINEST_DPI / 25.4
    ink = np.full((size, size), 255, np.uint8)
    for _ in range(round(side_mm**2 / 9)):
        steps = rng.normal(0, 1, 2) * 0.25 * px + np.cumsum(rng.normal(0, 0.1 * px, (20, 2)), axis=0)
        points = rng.uniform(0, size, 2) + np.cumsum(steps, axis=0)
        width = max(1, round(float(np.exp(rng.uniform(np.log(0.05), np.log(0.4)))) * px))
        cv2.polylines(ink, [np.round(points).astype(np.int32)], False, 15, width, cv2.LINE_AA)
    for _ in range(round(side_mm**2 / 60)):
        x, y = rng.uniform(0, size - 4 * px, 2)
        for line in range(int(rng.integers(6, 14))):
            at = (int(x + line * 0.22 * px), int(y)), (int(x + line * 0.22 * px + 0.8 * px), int(y + 2.5 * px))
            cv2.line(ink, *at, 25, max(1, round(0.07 * px)), cv2.LINE_AA)
        cv2.putText(
            ink, "QUAY", (int(x), int(y)), cv2.FONT_HERSHEY_SIMPLEX, px / 22, 10, max(1, round(0.08 * px)), cv2.LINE_AA
        )
    ink[: size // 2, : size // 2] = 255
    tooth = cv2.GaussianBlur(rng.standard_normal((size, size), dtype=np.float32), (0, 0), 0.05 * px)
    paper = 0.82 * (1 + grain * tooth / tooth.std())
    sheet = (0.03 + (ink.astype(np.float32) / 255) * (paper - 0.03)).astype(np.float32)
    sheet.flags.writeable = False
    return sheet


def scan_at(sheet: Floats, dpi: int, optics: Optics, rng: np.random.Generator) -> Codes:
    """(n, n) gray sRGB codes of the sheet at a dpi: optics, then square pixels that collect light, then noise."""
    px = FINEST_DPI / 25.4
    seen = cv2.GaussianBlur(sheet, (0, 0), max(0.01, optics.sigma_um / 1000 * px))
    middle = (sheet.shape[1] - 1) / 2, (sheet.shape[0] - 1) / 2
    matrix = cv2.getRotationMatrix2D(middle, optics.turn, 1)
    matrix[:, 2] += np.array(optics.shift_mm) * px
    seen = cv2.warpAffine(seen, matrix, sheet.shape[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    side = round(sheet.shape[0] / FINEST_DPI * dpi)
    small = np.clip(cv2.resize(seen, (side, side), interpolation=cv2.INTER_AREA), 0, 1)
    encoded = np.where(small <= 0.0031308, 12.92 * small, 1.055 * np.maximum(small, 1e-6) ** (1 / 2.4) - 0.055)
    noisy = 255 * encoded + optics.noise * rng.standard_normal(small.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def write_steps(folder: Path, scans: dict[int, Codes]) -> list[Path]:
    """Write gray scans as dpi.tif; returns their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for dpi, pixels in scans.items():
        paths.append(folder / f"quay_{dpi}.tif")
        tifffile.imwrite(
            paths[-1], pixels, photometric="minisblack", resolution=(dpi, dpi), resolutionunit="INCH", metadata=None
        )
    return paths


def true_losses(sheet: Floats, optics: Optics, steps: tuple[int, ...], place_mm: float) -> dict[int, float]:
    """Share of the sheet that loses more than the noise at each step below the last, from a scan without noise.

    Means of areas are taken here by hand, so steps have to divide the last one.
    """
    top = steps[-1]
    still = scan_at(sheet, top, Optics(optics.sigma_um, 0.0), np.random.default_rng(0)).astype(np.float32)
    place, rim = round(place_mm / 25.4 * top), round(2.5 / 25.4 * top)
    shares = {}
    for step in steps[:-1]:
        times = top // step
        side = still.shape[0] // times * times
        whole = still[:side, :side]
        small = whole.reshape(side // times, times, side // times, times).mean((1, 3))
        gone = (whole - cv2.resize(small, (side, side), interpolation=cv2.INTER_CUBIC))[rim:-rim, rim:-rim] ** 2
        count = gone.shape[0] // place
        power = gone[: count * place, : count * place].reshape(count, place, count, place).mean((1, 3))
        shares[step] = float((power - 1 / 12 > optics.noise**2).mean())
    return shares
