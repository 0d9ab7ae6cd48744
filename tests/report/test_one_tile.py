"""I check that a tile made alone is the tile that a whole pyramid would have: with reduced views in the file, without,
and with places nothing covers."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from stitchbed.output.tiff_master import BLOCK, MasterSpec, encode_block, write_master
from stitchbed.reading.base.cache import PieceCache
from stitchbed.reading.formats import open_windows
from stitchbed.report.one_tile import OnePicture
from stitchbed.report.tiles import TILE, picture_tiles


def _picture(rows: int, cols: int, channels: int, dtype: str) -> np.ndarray:
    down, across = np.mgrid[0:rows, 0:cols]
    waves = [127 + 100 * np.sin(down / (60 + 9 * k)) * np.cos(across / (45 + 7 * k)) for k in range(channels)]
    return (np.stack(waves, axis=2) * (257 if dtype == "uint16" else 1)).astype(dtype)


def _save(path: Path, kind: str) -> Path:
    pixels = _picture(1300, 2301, 4 if kind == "alpha" else 3, "uint16" if kind == "deep" else "uint8")
    if kind == "alpha":
        pixels[..., 3] = 255
        pixels[:300, :700] = 0
        tifffile.imwrite(path, pixels, extrasamples=["unassalpha"], photometric="rgb")
    elif kind == "levels":
        with tifffile.TiffWriter(path) as file:
            file.write(pixels, subifds=2, tile=(256, 256), photometric="rgb")
            for halvings in (1, 2):
                size = (-(-2301 // 2**halvings), -(-1300 // 2**halvings))
                small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
                file.write(small, subfiletype=1, tile=(256, 256), photometric="rgb")
    else:
        tifffile.imwrite(path, pixels, photometric="rgb")
    return path


@pytest.mark.parametrize("kind", ["plain", "deep", "alpha", "levels"])
def test_a_tile_alone_is_that_of_the_pyramid(kind: str, tmp_path: Path) -> None:
    path = _save(tmp_path / "a.tif", kind)
    one = OnePicture(path, PieceCache(2**26))
    with open_windows(path) as windows:
        tiles = list(picture_tiles(windows))
    for tile in tiles:
        alone = one.tile(tile.halvings, tile.row, tile.col)
        assert alone is not None
        a, b = (cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR) for data in (alone, tile.jpeg))
        assert a.shape == b.shape
        assert np.abs(a.astype(int) - b).mean() < 1  # averages of averages round differently
    assert (one.width, one.height, one.halvings) == (2301, 1300, 3)
    one.close()


def test_there_is_no_tile_outside(tmp_path: Path) -> None:
    one = OnePicture(_save(tmp_path / "a.tif", "plain"), PieceCache(2**26))
    assert TILE == 512
    for place in ((0, 3, 0), (0, 0, 5), (-1, 0, 0), (4, 0, 0), (3, 1, 0), (0, -1, 0)):
        assert one.tile(*place) is None
    one.close()


def test_a_master_with_places_nothing_covers_is_looked_at_by_its_own_levels(tmp_path: Path) -> None:
    """A canvas of hundreds of megapixels is seen at once only where its reduced views are used; measuring does not."""
    spec = MasterSpec(1100, 1300, 3, "uint8", True, 300, None)
    pixels = _picture(1100, 1300, 4, "uint8")
    pixels[..., 3] = 255
    pixels[:300, :700] = 0
    places = [(row, col) for row in range(0, 1100, BLOCK) for col in range(0, 1300, BLOCK)]
    blocks = (encode_block(pixels[row : row + BLOCK, col : col + BLOCK], spec) for row, col in places)
    path = tmp_path / "canvas.tif"
    write_master(path, spec, blocks)
    with open_windows(path) as windows:
        level = windows.level(1)
        assert level is not None and level.raster.shape == (550, 650, 3)
        mean = pixels[300:1100, 700:1300, :3].reshape(400, 2, 300, 2, 3).mean(axis=(1, 3))
        assert np.abs(windows.view(2)[150:, 350:].astype(float) - mean).max() <= 0.51
        tiles = list(picture_tiles(windows))
    one = OnePicture(path, PieceCache(2**26))
    for tile in tiles:
        a, b = (
            cv2.imdecode(np.frombuffer(data or b"", np.uint8), cv2.IMREAD_COLOR)
            for data in (one.tile(tile.halvings, tile.row, tile.col), tile.jpeg)
        )
        assert a.shape == b.shape and np.abs(a.astype(int) - b).mean() < 1.5
    one.close()
