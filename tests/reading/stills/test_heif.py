"""I check HEIC and AVIF: turns, coded color, deep samples, several pictures in a file.

Reference: ISO/IEC 23008-12:2022, 6.5.10 (irot), 6.5.12 (imir); ITU-T H.273 (2021), tables 2 and 3; ICC.1:2022.
"""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
from heif_files import avif, boxed, heic, heifs, ten_bits
from jpeg_bytes import exif
from picture_files import HEIGHT, WIDTH, scene
from PIL import Image, ImageCms

from stitchbed.core.errors import CanvasTooLarge, UnreadableTile
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import srgb_decode, transfer_of
from stitchbed.reading.formats import open_windows, read_raster
from stitchbed.reading.intake import take_in
from stitchbed.reading.metadata.cicp import CURVES, PRIMARIES, Coded
from stitchbed.reading.stills import heif

SEEN = {1: lambda a: a, 3: lambda a: a[::-1, ::-1], 6: lambda a: np.rot90(a, -1), 8: lambda a: np.rot90(a)}


# red, green, blue under D50, as the ICC's published profiles of sRGB, BT.2020 and Display P3 state them
COLORANTS = {
    1: [(0.4361, 0.2225, 0.0139), (0.3851, 0.7169, 0.0971), (0.1431, 0.0606, 0.7139)],
    9: [(0.6735, 0.2790, -0.0019), (0.1657, 0.6753, 0.0300), (0.1251, 0.0456, 0.7968)],
    12: [(0.5151, 0.2412, -0.0011), (0.2920, 0.6922, 0.0419), (0.1571, 0.0666, 0.7841)],
}


def whole(path: Path) -> np.ndarray:
    """All pixels of the picture a path names."""
    with open_windows(path) as windows:
        rows, cols, _ = windows.raster.shape
        return windows.window(Box(0, 0, rows, cols))


def exif_turn(turn: int) -> Image.Exif:
    """EXIF that only says how the picture is turned; both libraries write it as a property of the container too."""
    said = Image.Exif()
    said[274] = turn
    return said


@pytest.mark.parametrize("turn", SEEN)
def test_heic_is_seen_as_its_container_turns_it(turn: int, tmp_path: Path) -> None:
    path = tmp_path / "photo.heic"
    path.write_bytes(heic([scene()], exif=exif_turn(turn).tobytes()))
    assert np.array_equal(whole(path), SEEN[turn](scene()))


@pytest.mark.parametrize("turn", [*SEEN, 2, 4, 5, 7])
def test_avif_is_seen_as_its_container_turns_it(turn: int, tmp_path: Path) -> None:
    path = tmp_path / "photo.avif"
    Image.fromarray(scene()).save(path, "AVIF", quality=100, subsampling="4:4:4", exif=exif_turn(turn))
    by_numpy = {
        2: scene()[:, ::-1],
        4: scene()[::-1],
        5: scene().swapaxes(0, 1),
        7: np.rot90(scene(), 2).swapaxes(0, 1),
    }
    want = by_numpy[turn] if turn in by_numpy else SEEN[turn](scene())
    assert read_raster(path).shape == want.shape
    assert abs(whole(path).astype(int) - want).mean() < 2


@pytest.mark.parametrize("number", COLORANTS)
def test_coded_primaries_are_those_of_published_profiles(number: int) -> None:
    read = ImageCms.ImageCmsProfile(io.BytesIO(Coded(number, 13).profile(3))).profile
    seen = np.array([getattr(read, f"{name}_colorant")[0] for name in ("red", "green", "blue")])
    assert np.allclose(seen, COLORANTS[number], atol=3e-4)


def test_coded_color_is_whole_for_every_number_known() -> None:
    for primaries in PRIMARIES:
        read = ImageCms.ImageCmsProfile(io.BytesIO(Coded(primaries, 13).profile(3))).profile
        seen = [getattr(read, f"{name}_colorant")[0] for name in ("red", "green", "blue")]
        assert np.allclose(np.sum(seen, axis=0), (0.9642, 1.0, 0.8249), atol=1e-4)  # white is white
    for number in CURVES:
        curve = transfer_of(Coded(1, number).profile(3))
        assert curve.exact
        assert np.array_equal(transfer_of(Coded(1, number).profile(1)).decode16, curve.decode16)
    codes = np.linspace(0, 1, 65536)
    assert np.allclose(transfer_of(Coded(12, 13).profile(3)).decode16, srgb_decode(codes), atol=2e-5)
    assert np.allclose(transfer_of(Coded(12, 8).profile(3)).decode16, codes, atol=1e-7)


def test_wide_gamut_without_a_profile_is_kept(tmp_path: Path) -> None:
    for name, data in {
        "p3.heic": heic([scene()], color_primaries=12, transfer_characteristics=13),
        "p3.avif": with_color(avif(scene()), 12, 13),
    }.items():
        (tmp_path / name).write_bytes(data)
        assert read_raster(tmp_path / name).icc == Coded(12, 13).profile(3)
    (tmp_path / "plain.heic").write_bytes(heic([scene()], color_primaries=1, transfer_characteristics=13))
    assert read_raster(tmp_path / "plain.heic").icc is None  # sRGB is what a picture without profile is taken for


def with_color(data: bytes, primaries: int, transfer: int) -> bytes:
    """The file with other code points in its color box (8.2.1 of ISO/IEC 23000-22, nclx)."""
    at = data.index(b"nclx") + 4
    return data[:at] + struct.pack(">HH", primaries, transfer) + data[at + 4 :]


def test_ten_bits_are_kept_as_sixteen(tmp_path: Path) -> None:
    stored, shown = ten_bits()
    assert shown.max() > 58_000 and np.array_equal(np.rint(shown * (1023 / 65535)).astype(np.uint16), stored)
    for made in heifs():
        if made.bits == 10:
            assert np.array_equal(whole(made.write(tmp_path)), shown)


def test_each_picture_of_a_file_is_named(tmp_path: Path) -> None:
    pictures = [scene(), 255 - scene()]
    (tmp_path / "burst.heic").write_bytes(heic(pictures))
    tiles, _ = take_in([tmp_path])
    assert [tile.name for tile in tiles] == ["burst.heic:1", "burst.heic:2"]
    assert all(abs(whole(t.path).astype(int) - want).max() <= 3 for t, want in zip(tiles, pictures, strict=True))
    with pytest.raises(UnreadableTile, match="holds 2 pictures"):
        open_windows(tmp_path / "burst.heic")


def test_high_dynamic_range_says_what_to_set(tmp_path: Path) -> None:
    (tmp_path / "hdr.heic").write_bytes(heic([scene()], color_primaries=9, transfer_characteristics=16))
    with pytest.raises(UnreadableTile, match=r"high dynamic range \(PQ\)") as caught:
        read_raster(tmp_path / "hdr.heic")
    assert "standard range" in caught.value.attempt


def test_thumbnails_are_passed_over(tmp_path: Path) -> None:
    import pillow_heif

    big = np.kron(scene(), np.ones((3, 3, 1), np.uint8))
    file = pillow_heif.from_pillow(Image.fromarray(big))
    file[0].info["thumbnails"] = [128]
    file.save(tmp_path / "photo.heic", quality=-1)
    assert len(pillow_heif.open_heif(tmp_path / "photo.heic")[0].info["thumbnails"]) == 1
    tiles, warnings = take_in([tmp_path])
    assert [tile.name for tile in tiles] == ["photo.heic"] and warnings == []
    assert tiles[0].raster.shape == (3 * HEIGHT, 3 * WIDTH, 3)


def test_films_are_called_films(tmp_path: Path) -> None:
    (tmp_path / "a.heic").write_bytes(boxed(b"ftyp", b"qt  \0\0\0\0") + bytes(40))
    with pytest.raises(UnreadableTile, match="a film"):
        read_raster(tmp_path / "a.heic")


def small(samples: int = 3) -> np.ndarray:
    """A scene of 24 x 16 px."""
    return scene(samples, height=16, width=24)


def written(folder: Path, data: bytes) -> Path:
    """A file of these bytes."""
    (folder / "photo.heic").write_bytes(data)
    return folder / "photo.heic"


def test_beginnings() -> None:
    assert all(heif.begins(b"\0\0\0\x18ftyp" + brand + b"more") for brand in (b"heic", b"mif1", b"avif", b"MiHB"))
    assert not heif.begins(b"\0\0\0\x18ftypqt  ") and not heif.begins(b"ftypheic\0\0\0\0")


def test_pictures_are_counted(tmp_path: Path) -> None:
    assert heif.count(written(tmp_path, heic([small()] * 3))) == 3
    assert heif.count(written(tmp_path, avif(small()))) == 1
    with pytest.raises(UnreadableTile):
        heif.count(written(tmp_path, boxed(b"ftyp", b"heic\0\0\0\0") + bytes(40)))


def test_the_header_of_each_picture_of_a_file(tmp_path: Path) -> None:
    path = written(tmp_path, heic([small(), scene(4, height=24, width=16)], exif=b"Exif\0\0" + exif(dpi=300)))
    first, second = (heif.read_header(Path(f"{path}:{number}"), 1000) for number in (1, 2))
    assert first.layout == heif.HeifPicture(0, False, 16, 24, 3, 8)
    assert second.layout == heif.HeifPicture(1, False, 24, 16, 4, 8)
    assert (first.raster.shape, first.raster.alpha, first.raster.dpi) == ((16, 24, 3), False, (300.0, 300.0))
    assert (second.raster.shape, second.raster.alpha, second.associated) == ((24, 16, 3), True, False)
    assert first.raster.lost == ("HEIC is lossy", "it has 8 bits")
    assert (heif.at_once(first), heif.at_once(second)) == (16 * 24 * 9, 16 * 24 * 11)
    assert abs(next(heif.bands(path, second)).astype(int) - scene(4, height=24, width=16)).max() <= 3
    with pytest.raises(CanvasTooLarge):
        heif.read_header(path, 383)
    lossy = heif.read_header(written(tmp_path, heic([small()], quality=90, chroma=420, matrix_coefficients=6)), 1000)
    assert "its colors have half the resolution" in lossy.raster.lost


def test_deep_and_gray_pictures(tmp_path: Path) -> None:
    ten = (scene(3, "uint16", height=16, width=24) >> 6).astype(np.uint16)
    path = written(tmp_path, avif(ten, 10))
    header = heif.read_header(path, 1000)
    assert header.layout == heif.HeifPicture(0, True, 16, 24, 3, 10)
    assert (header.raster.dtype, header.raster.bits, header.raster.lost) == ("uint16", 10, ("AVIF is lossy",))
    assert heif.at_once(header) == 16 * 24 * 9 * 2
    assert np.array_equal(next(heif.bands(path, header)), np.rint(ten * (65535 / 1023)))
    path = written(tmp_path, heic([small(1)], matrix_coefficients=6))
    header = heif.read_header(path, 1000)
    assert (header.raster.shape, header.layout.samples) == ((16, 24, 1), 1)
    assert np.array_equal(next(heif.bands(path, header)), small(1))


def test_what_is_decoded_must_be_what_the_header_said(tmp_path: Path) -> None:
    path = written(tmp_path, heic([small()]))
    header = heif.read_header(path, 1000)
    written(tmp_path, heic([scene(height=24, width=16)]))
    with pytest.raises(UnreadableTile, match="it holds 16 x 24 px"):
        next(heif.bands(path, header))
