"""I check JPEG XL: headers read bit by bit against a second writer of them, and against the decoder.

Reference: ISO/IEC 18181-1:2024, annexes D.2 (size), D.3 (metadata), E.2 (color encoding).
"""

from __future__ import annotations

from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from jxl_files import jxl, recolored
from picture_files import scene

from stitchbed.imaging.box import Box
from stitchbed.reading.formats import open_windows, read_raster
from stitchbed.reading.metadata.cicp import Coded


def whole(path: Path) -> np.ndarray:
    """All pixels of a picture."""
    with open_windows(path) as windows:
        rows, cols, _ = windows.raster.shape
        return windows.window(Box(0, 0, rows, cols))


SIZES = [(8, 8), (256, 256), (53, 71), (600, 800), (90, 160), (40, 3), (3, 5000), (1080, 1920)]


@pytest.mark.parametrize("kind", ["gray", "color", "alpha", "deep", "lossy"])
def test_headers_say_what_was_coded(kind: str, tmp_path: Path) -> None:
    samples = {"gray": 1, "alpha": 4}.get(kind, 3)
    for size in SIZES:
        pixels = np.zeros((*size, samples), np.uint16 if kind == "deep" else np.uint8)
        (tmp_path / "a.jxl").write_bytes(jxl(pixels, lossless=kind != "lossy", effort=1))
        raster = read_raster(tmp_path / "a.jxl")
        assert raster.shape == (*size, 1 if kind == "gray" else 3)
        assert (raster.alpha, raster.bits) == (kind == "alpha", 16 if kind == "deep" else 8)
        assert bool(raster.lost) == (kind == "lossy")


@pytest.mark.parametrize(("turn", "seen"), [(3, 2), (6, -1), (8, 1)])
def test_it_is_seen_as_its_header_turns_it(turn: int, seen: int, tmp_path: Path) -> None:
    (tmp_path / "a.jxl").write_bytes(recolored(jxl(scene()), 1, 13, turn))
    assert np.array_equal(whole(tmp_path / "a.jxl"), np.rot90(scene(), seen))


@pytest.mark.parametrize(("primaries", "transfer", "coded"), [(11, 13, (12, 13)), (9, 1, (9, 1)), (1, 8, (1, 8))])
def test_wide_gamut_and_curve_are_kept_as_a_profile(
    primaries: int, transfer: int, coded: tuple[int, int], tmp_path: Path
) -> None:
    data = recolored(jxl(scene()), primaries, transfer)
    assert np.array_equal(imagecodecs.jpegxl_decode(data), scene())  # the decoder takes the header we wrote
    (tmp_path / "a.jxl").write_bytes(data)
    assert read_raster(tmp_path / "a.jxl").icc == Coded(*coded).profile(3)
    assert np.array_equal(whole(tmp_path / "a.jxl"), scene())
