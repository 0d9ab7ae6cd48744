"""I show charts of known spectra to a camera of known sensitivities under a known light.

In: names of a light and a camera as carried by colour-science (test-only dependency). Out: linear camera readings, true
CIELAB D50, pictures of the chart.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.color.cielab import adaptation, lab_from_xyz
from stitchbed.imaging.transfer import srgb_encode

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it says at import that it would like to plot
    import colour

Array = NDArray[np.float64]

CAMERA = "Nikon 5100 (NPL)"  # sensitivities measured by the National Physical Laboratory
LIGHTS = ("D65", "A", "LED-B3")  # CIE 15:2018
REFLECTANCES = "BabelColor Average"  # mean of 30 charts of 24 patches


@dataclass(frozen=True)
class Shown:
    """light : (24, 3) linear camera readings, white card = exposure. lab : (24, 3) of the patches under D50."""

    light: Array
    lab: Array


def shown(illuminant: str, exposure: float = 0.9) -> Shown:
    """Readings and references of the 24 patches; 400 to 700 nm in steps of 10 nm."""
    shape = colour.SpectralShape(400, 700, 10)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        spectra = [sd.copy().align(shape).values for sd in colour.SDS_COLOURCHECKERS[REFLECTANCES].values()]
        observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
        daylight = colour.SDS_ILLUMINANTS["D50"].copy().align(shape).values
        lamp = colour.SDS_ILLUMINANTS[illuminant].copy().align(shape).values
        sensor = colour.MSDS_CAMERA_SENSITIVITIES[CAMERA].copy().align(shape).values
    reflectance = np.array(spectra)
    white = daylight @ observer / (daylight @ observer[:, 1])
    xyz = (reflectance * daylight) @ observer / (daylight @ observer[:, 1])
    light = (reflectance * lamp) @ sensor / (lamp @ sensor) * exposure
    return Shown(light, lab_from_xyz(xyz @ adaptation(white).T))


def chart_picture(
    light: Array, rng: np.random.Generator, *, patch: int = 60, noise: float = 0.004
) -> NDArray[np.uint16]:
    """(h, w, 3) uint16, sRGB curve: a 4 x 6 chart on a black frame on a gray table, slightly turned."""
    gap, rim = patch // 6, patch // 3
    h, w = 4 * (patch + gap) - gap + 2 * rim, 6 * (patch + gap) - gap + 2 * rim
    chart = np.full((h, w, 3), 0.02)
    for index, color in enumerate(light):
        row, column = divmod(index, 6)
        top, left = rim + row * (patch + gap), rim + column * (patch + gap)
        chart[top : top + patch, left : left + patch] = color
    table = np.full((h + 4 * patch, w + 4 * patch, 3), 0.25)
    table[2 * patch : 2 * patch + h, 2 * patch : 2 * patch + w] = chart
    middle = (table.shape[1] / 2, table.shape[0] / 2)
    turn = cv2.getRotationMatrix2D(middle, 3.0, 1.0)
    seen = cv2.warpAffine(table, turn, (table.shape[1], table.shape[0]), borderMode=cv2.BORDER_REPLICATE)
    seen = cv2.GaussianBlur(seen, (0, 0), 0.8)
    seen = seen + noise * np.sqrt(np.maximum(seen, 0) + 0.1) * rng.standard_normal(seen.shape)
    return np.rint(65535 * srgb_encode(np.clip(seen, 0, 1))).astype(np.uint16)
