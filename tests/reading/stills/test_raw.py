"""I check raw photographs: a known scene comes out linear, all are developed alike, and what is missing is said.

Reference: DNG 1.7.1 (2023), chapters 4 and 6; ITU-R BT.2087-0 (2015).
"""

from __future__ import annotations

import builtins
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from picture_files import rgb_profile, scene
from raw_files import BORDER_OFF, NEUTRAL, OFF, developed, dng, smooth
from tiff_bytes import Plan, tiff

from stitchbed.core.errors import UnreadableTile
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import transfer_of
from stitchbed.photos.survey.photo import opened
from stitchbed.reading.formats import format_of, open_windows, read_header

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
