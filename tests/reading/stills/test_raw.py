"""I check raw photographs: a known scene comes out linear, all are developed alike, and what is missing is said.

Reference: DNG 1.7.1 (2023), chapters 4 and 6; ITU-R BT.2087-0 (2015).
"""

from __future__ import annotations

import builtins
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from picture_files import rgb_profile, scene
from raw_files import BORDER_OFF, NEUTRAL, OFF, developed, dng, smooth, with_tag
from tiff_bytes import Plan, tiff

from stitchbed.core.errors import CanvasTooLarge, UnreadableTile
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import transfer_of
from stitchbed.photos.survey.photo import opened
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.formats import format_of, open_windows, read_header
from stitchbed.reading.metadata.cicp import Coded
from stitchbed.reading.stills.raw import RawPhoto, _said_of, _white, at_once, begins, is_raw
from stitchbed.reading.stills.raw import read_header as read_raw_header

INNER = np.s_[6:-6, 6:-6]


def whole(path: Path) -> np.ndarray:
    """All pixels of a picture."""
    with open_windows(path) as windows:
        rows, cols, _ = windows.raster.shape
        return windows.window(Box(0, 0, rows, cols))


def written(folder: Path, name: str = "photo.dng", **said: Any) -> Path:
    """A raw photograph of the smooth scene, at half its light where `light` says so."""
    path = folder / name
    path.write_bytes(dng(smooth() * said.pop("light", 1.0), **said))
    return path


def test_a_known_scene_comes_out_in_linear_light(tmp_path: Path) -> None:
    path = written(tmp_path)
    off = abs(whole(path).astype(int) - developed(smooth()))
    assert off[INNER].max() <= OFF
    assert off.max() <= BORDER_OFF
    header = read_header(path)
    assert header.raster.bits == 12 and header.raster.dtype == "uint16"
    assert np.allclose(transfer_of(header.raster.icc).decode16, np.linspace(0, 1, 65536), atol=1e-7)
    assert "red 2.000, blue 1.600" in header.notes[0]


def test_nothing_is_brightened_by_what_is_seen(tmp_path: Path) -> None:
    bright, dark = whole(written(tmp_path)), whole(written(tmp_path, "dark.dng", light=0.5))
    ratio = dark[INNER] / bright[INNER].astype(float)
    assert abs(ratio - 0.5).max() < 0.01


@pytest.mark.parametrize(("turn", "seen"), [(3, 2), (6, -1), (8, 1)])
def test_it_is_seen_as_the_camera_was_held(turn: int, seen: int, tmp_path: Path) -> None:
    off = abs(whole(written(tmp_path, orientation=turn)).astype(int) - np.rot90(developed(smooth()), seen))
    assert off[INNER].max() <= OFF


def test_other_white_balance_gives_the_same_scene_and_a_warning(tmp_path: Path) -> None:
    warm = NEUTRAL * (1.2, 1.0, 0.8)
    first, second = written(tmp_path), written(tmp_path, "warm.dng", balance=warm)
    assert abs(whole(first).astype(int) - whole(second))[INNER].max() <= OFF
    with opened([first, second]) as (_, warnings):
        assert any("different white balance" in warning for warning in warnings)
    with opened([first, written(tmp_path, "third.dng", light=0.9)]) as (_, warnings):
        assert not any("different white balance" in warning for warning in warnings)


def test_a_tiff_of_a_camera_is_no_raw_photograph(tmp_path: Path) -> None:
    path = tmp_path / "scan.tif"
    path.write_bytes(tiff(scene(), Plan(extra={271: (2, b"Harbor\0"), 34675: (7, rgb_profile())})))
    assert format_of(path) == "TIFF"
    assert format_of(written(tmp_path)) == "raw"


def test_without_the_extra_the_error_names_what_installs_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name == "rawpy":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UnreadableTile, match="is not installed") as caught:
        read_header(written(tmp_path))
    assert "pip install 'stitchbed[raw]'" in caught.value.attempt


@pytest.mark.parametrize("share", [0.02, 0.1, 0.5, 0.9])
def test_cut_files_end_in_words(share: float, tmp_path: Path) -> None:
    path = written(tmp_path)
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])
    with pytest.raises(UnreadableTile, match=r"photo\.dng"):
        whole(path)


def tiny(folder: Path, name: str = "tiny.dng", **said: Any) -> Path:
    """A raw photograph of 40 x 32 px."""
    (folder / name).write_bytes(dng(smooth(32, 40), **said))
    return folder / name


def test_beginnings() -> None:
    heads = (b"FUJIFILMCCD-RAW 0", b"IIRO", b"IIRS", b"MMOR", b"IIU\0", b"FOVb", b"\0MRM", b"II*\0", b"MM\0*")
    assert all(begins(head.ljust(16, b"\0")) for head in (*heads, b"\0\0\0\x18ftypcrx ", b"II\x1a\0\0\0HEAPCCDR"))
    assert not any(begins(head.ljust(16, b"\0")) for head in (b"", b"II\0*", b"\0\0\0\x18ftypheic", b"HEAPCCDR"))


def test_a_file_like_a_tiff_is_raw_when_its_tags_say_so(tmp_path: Path) -> None:
    assert is_raw(tiny(tmp_path))
    assert not is_raw(tmp_path / "not-there.dng")
    for photometric, version, raw in (
        (1, None, False),
        (32803, None, True),
        (34892, None, True),
        (1, [1, 4, 0, 0], True),
    ):
        extra = {262: (3, [photometric]), 50706: None if version is None else (1, version)}
        (tmp_path / "scan.tif").write_bytes(tiff(scene(1), Plan(extra=extra)))
        assert is_raw(tmp_path / "scan.tif") is raw
    (tmp_path / "scan.tif").write_bytes(b"II*\0\xff\xff\xff\xff")
    assert not is_raw(tmp_path / "scan.tif")
    (tmp_path / "other.orf").write_bytes(b"IIRO and what is not documented")
    assert is_raw(tmp_path / "other.orf")


def test_the_header_of_a_small_photograph(tmp_path: Path) -> None:
    header = read_raw_header(tiny(tmp_path, orientation=6), 2000)
    assert (header.orientation, header.layout) == (6, RawPhoto(32, 40))
    assert header.raster == Raster((40, 32, 3), "uint16", 12, Coded(9, 8).profile(3), None, False, white=(2.0, 1.6))
    assert at_once(header) == 32 * 40 * 32
    with pytest.raises(CanvasTooLarge):
        read_raw_header(tmp_path / "tiny.dng", 1279)


@pytest.mark.parametrize(
    ("tag", "value", "words"),
    [
        (273, 4, "its sensor data should end at byte 2,564"),
        (279, 10**6, "should end at byte 1,0"),
        (258, 7, "7 bits per sample, packed by method 1"),
        (258, 33, "33 bits per sample"),
        (259, 0, "packed by method 0"),
        (257, 33, "2,560 bytes cannot hold 1,320 px"),
        (259, 7, "no JPEG, as its tags say"),
    ],
)
def test_sensor_data_that_are_not_what_the_tags_say(tag: int, value: int, words: str, tmp_path: Path) -> None:
    path = tiny(tmp_path)
    path.write_bytes(with_tag(path.read_bytes(), tag, value))
    with pytest.raises(UnreadableTile, match=words):
        read_raw_header(path, 10_000)


def test_the_balance_of_the_shot_or_none() -> None:
    assert _white(SimpleNamespace(camera_whitebalance=[2.0, 4.0, 3.0, 0.0])) == (0.5, 0.75)
    assert _white(SimpleNamespace(camera_whitebalance=[2.0, 1.0, 0.0, 0.0])) is None
    assert "without white balance" in _said_of(None)[0]
    assert "(red 0.500, blue 0.750)" in _said_of((0.5, 0.75))[0]
