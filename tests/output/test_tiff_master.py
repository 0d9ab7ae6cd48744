"""I check that a master comes back as it went in, whole, with its profile, size and reduced views."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from stitchbed.core.errors import CannotWrite, WouldTouchOriginal
from stitchbed.output.tiff_master import MasterSpec, halved, write_master, write_picture

ICC = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def _noise(height: int, width: int, samples: int, dtype: str) -> np.ndarray:
    top = np.iinfo(dtype).max
    return np.random.default_rng(3).integers(0, top, (height, width, samples), dtype=dtype)


@pytest.mark.parametrize("codec", ["deflate", "zstd", "none"])
@pytest.mark.parametrize(
    ("channels", "alpha", "dtype"), [(3, True, "uint16"), (3, False, "uint8"), (1, False, "uint16")]
)
def test_pixels_profile_and_size_return(tmp_path: Path, codec: str, channels: int, alpha: bool, dtype: str) -> None:
    picture = _noise(1500, 2101, channels + alpha, dtype)
    if alpha:
        picture[..., -1] = np.iinfo(dtype).max
    spec = MasterSpec(1500, 2101, channels, dtype, alpha, 600, ICC, codec)
    path = tmp_path / "master.tif"
    write_picture(path, spec, picture)
    assert np.array_equal(tifffile.imread(path).reshape(picture.shape), picture)
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        assert page.is_tiled
        assert page.iccprofile == ICC
        # TIFF 6.0 (1992): XResolution 282, ResolutionUnit 296 = 2 for inch
        assert page.tags[282].value == (600, 1)
        assert page.tags[296].value == 2
        sizes = [sub.shape[:2] for sub in page.pages]
    assert sizes[:2] == [(750, 1051), (375, 526)]
    assert max(sizes[-1]) <= 512


def test_other_readers_agree(tmp_path: Path) -> None:
    picture = _noise(300, 700, 3, "uint8")
    path = tmp_path / "m.tif"
    write_picture(path, MasterSpec(300, 700, 3, "uint8", False, 300, ICC), picture)
    assert np.array_equal(np.asarray(Image.open(path)), picture)
    assert np.array_equal(cv2.imread(str(path))[..., ::-1], picture)


def test_halving_ignores_uncovered_color() -> None:
    spec = MasterSpec(2, 2, 3, "uint8", True, 300, None)
    block = np.zeros((2, 2, 4), np.uint8)
    block[0, 0] = (200, 100, 50, 255)
    assert halved(block, spec)[0, 0].tolist() == [200, 100, 50, 64]


def test_every_reduced_view_is_half_of_the_one_before(tmp_path: Path) -> None:
    """Tall enough for views made in several bands, odd in both directions, with holes."""
    picture = _noise(17_003, 21, 4, "uint8")
    picture[..., -1] = np.where(picture[..., -1] > 90, 255, 0)
    spec = MasterSpec(17_003, 21, 3, "uint8", True, 300, None)
    path = tmp_path / "tall.tif"
    write_picture(path, spec, picture)
    with tifffile.TiffFile(path) as file:
        views = [file.pages[0].asarray(), *(sub.asarray() for sub in file.pages[0].pages)]
    assert len(views) > 5
    for view, smaller in pairwise(views):
        assert np.array_equal(halved(view, spec), smaller)


def test_failure_half_way_leaves_nothing(tmp_path: Path) -> None:
    def broken():
        raise OSError(28, "No space left on device")
        yield

    path = tmp_path / "m.tif"
    with pytest.raises(CannotWrite):
        write_master(path, MasterSpec(10, 10, 3, "uint8", False, 300, None), broken())
    assert list(tmp_path.iterdir()) == []


def test_an_original_is_never_written(tmp_path: Path) -> None:
    original = tmp_path / "scan.tif"
    original.write_bytes(b"precious")
    with pytest.raises(WouldTouchOriginal):
        spec = MasterSpec(1, 1, 1, "uint8", False, 300, None)
        write_picture(original, spec, np.zeros((1, 1, 1), np.uint8), originals=[original])
    assert original.read_bytes() == b"precious"
