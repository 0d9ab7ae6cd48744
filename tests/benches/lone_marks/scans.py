"""I show a sheet as a scanner does: dust on it, paper, ink, blur, grain and noise of its own, some through JPEG.

In: a `Sheet`, a seed. Out: a `Scan`: 8-bit codes, and the dust that was laid.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from lone_marks.dust import LAWS, Dust, laid
from lone_marks.sheets import Sheet, cover
from synthetic_camera import through_jpeg

from stitchbed.core.arrays import Array, Bytes, Floats
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.transfer import srgb_encode

COUNTS = (60, 30, 60, 90)  # of specks on a page, by its seed
SAMPLED_PX = 0.35  # what the sampling adds to the optics' blur
FINE_MM, COARSE_MM, COARSE = 0.05, 0.4, 0.3  # of the paper's grain, one sd; how strong the coarse is of the fine
LEAST_PX = 0.5  # of the grain, one sd
SHARPENED, SHARPENED_MM = 0.3, 0.04  # share of scanners whose driver sharpens; one sd of what it takes away
PACKED, QUALITY = 0.25, 93  # share of pages that go through JPEG


@dataclass(frozen=True)
class Scanner:
    """A capture's properties.

    paper : (3,) linear light. ink : light, of paper. blur : mm, one sd. grain : relative, one sd. noise : of encoded
    codes 0..1, one sd. sharpening : share of what the blur took that the driver gives back.
    """

    paper: Array
    ink: float
    blur: float
    grain: float
    noise: float
    sharpening: float


@dataclass(frozen=True)
class Scan:
    """codes : (h, w, 3) uint8, sRGB. dust : that lies on it."""

    codes: Bytes
    dust: Dust


def scanned(sheet: Sheet, seed: int, dpi: float) -> Scan:
    """The sheet with dust of one of the laws, by a scanner of its own."""
    rng, ink = np.random.default_rng(seed), cover(sheet)
    law = LAWS[int(rng.integers(len(LAWS)))]
    dust = laid(law, rng, (ink.shape[0], ink.shape[1]), dpi=dpi, count=COUNTS[seed % len(COUNTS)])
    scanner = _scanner(rng)
    light = (1 + (scanner.ink - 1) * ink) * (1 - dust.cover) + dust.tone * dust.cover
    codes = _codes(light, scanner, rng, dpi)
    return Scan(through_jpeg(codes, QUALITY) if rng.random() < PACKED else codes, dust)


def _scanner(rng: np.random.Generator) -> Scanner:
    """Papers from gray to yellowish, inks and optics as flatbeds and their drivers show them."""
    tint = np.array([1, rng.uniform(0.95, 1), rng.uniform(0.84, 0.98)])
    return Scanner(
        paper=rng.uniform(0.72, 0.92) * tint,
        ink=rng.uniform(0.02, 0.07),
        blur=rng.uniform(0.015, 0.035),
        grain=rng.uniform(0.006, 0.016),
        noise=rng.uniform(0.0018, 0.0048),
        sharpening=rng.uniform(0.2, 0.6) if rng.random() < SHARPENED else 0.0,
    )


def _codes(light: Floats, scanner: Scanner, rng: np.random.Generator, dpi: float) -> Bytes:
    """(h, w, 3) of light (h, w) relative to the paper's."""
    scale = dpi / MM_PER_INCH
    light = cv2.GaussianBlur(light, (0, 0), float(np.hypot(scanner.blur * scale, SAMPLED_PX)))
    light = light + scanner.sharpening * (light - cv2.GaussianBlur(light, (0, 0), max(1.0, SHARPENED_MM * scale)))
    grain = _grain(rng, light, FINE_MM * scale) + COARSE * _grain(rng, light, COARSE_MM * scale)
    colored = (light * (1 + scanner.grain * grain))[..., None] * scanner.paper
    encoded = srgb_encode(np.maximum(colored, 0)) + scanner.noise * rng.standard_normal(colored.shape)
    return np.rint(255 * np.clip(encoded, 0, 1)).astype(np.uint8)


def _grain(rng: np.random.Generator, light: Floats, spread: float) -> Floats:
    """Noise of unit spread in clouds of `spread` px."""
    clouds = cv2.GaussianBlur(rng.standard_normal(light.shape, np.float32), (0, 0), max(LEAST_PX, spread))
    return np.asarray(clouds / clouds.std(), np.float32)
