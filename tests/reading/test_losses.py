"""I check that each kind of file is told what it lost, and that kinds which keep everything are told nothing."""

from __future__ import annotations

from pathlib import Path

import pytest
from jpeg_bytes import jpeg, segment
from picture_files import made_files, scene
from tiff_bytes import Plan, tiff

from stitchbed.inspection.checks.pieces import _lossy
from stitchbed.reading.formats import read_raster

LOSSY = ("jpeg", ".jpg", "lossy", ".webp", ".heic", ".avif")
EXACT = ("flate", "fax", "jbig2", ".png", "deflate", "photo.dng", "color.jxl", "deep.jxl")


@pytest.mark.parametrize("made", made_files(), ids=lambda made: made.name)
def test_what_is_lost_is_told(made: object, tmp_path: Path) -> None:
    lost = read_raster(made.write(tmp_path)).lost
    if made.name.endswith(".webp"):  # made without loss
        assert lost == ()
    elif any(word in made.name for word in LOSSY):
        assert "lossy" in lost[0]
    elif any(word in made.name for word in EXACT):
        assert lost == ()


def test_halved_colors_and_a_camera_s_curve_are_named(tmp_path: Path) -> None:
    (tmp_path / "full.jpg").write_bytes(jpeg(scene(), subsampling="444"))
    assert read_raster(tmp_path / "full.jpg").lost == ("JPEG is lossy", "it has 8 bits")
    maker = tiff(scene(height=9, width=9), Plan(extra={271: (2, b"Harbor\0")}))
    (tmp_path / "photo.jpg").write_bytes(jpeg(scene(), segment(0xE1, b"Exif\0\0" + maker), subsampling="420"))
    lost = read_raster(tmp_path / "photo.jpg").lost
    assert lost[1] == "its colors have half the resolution"
    assert "tone curve" in lost[3]


def test_check_says_it_in_one_finding() -> None:
    (finding,) = _lossy("HEIF", ("HEIC is lossy", "it has 8 bits"), _Look())
    assert (finding.fault, finding.level) == ("lossy", "usable")
    assert "HEIC is lossy, it has 8 bits" in finding.why


class _Look:
    blocks = 0.0
    traces = ()
