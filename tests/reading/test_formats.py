"""I check for a file of every kind that header, windows, alpha and views say what was put in; it stays untouched."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
from picture_files import HEIGHT, WIDTH, Made, made_files, scene

from stitchbed.core.errors import CanvasTooLarge, UnreadableTile
from stitchbed.imaging.box import Box
from stitchbed.reading.formats import FORMATS, OTHERS, format_of, open_windows, read_header, read_raster

WHOLE = Box(0, 0, HEIGHT, WIDTH)
EVERY = pytest.mark.parametrize("made", made_files(), ids=lambda made: made.name)


def expected_view(made: Made, reduction: int) -> np.ndarray:
    """Means of cells, cell by cell, colors weighted by alpha; written for clearness, not speed."""
    rows, cols = -(-HEIGHT // reduction), -(-WIDTH // reduction)
    out = np.empty((rows, cols, made.color.shape[2]))
    alpha = np.ones((HEIGHT, WIDTH)) if made.alpha is None else made.alpha.astype(float)
    for row in range(rows):
        for col in range(cols):
            cell = np.s_[row * reduction : (row + 1) * reduction, col * reduction : (col + 1) * reduction]
            weight = alpha[cell] if alpha[cell].sum() > 0 else np.ones_like(alpha[cell])
            out[row, col] = np.average(made.color[cell].reshape(-1, out.shape[2]), axis=0, weights=weight.ravel())
    return out


@EVERY
def test_header_says_what_was_put_in(made: Made, tmp_path: Path) -> None:
    raster = read_raster(made.write(tmp_path))
    assert raster.shape == made.color.shape
    assert raster.dtype == str(made.color.dtype)
    assert raster.bits == made.bits
    assert raster.dpi == made.dpi
    assert raster.icc == made.icc
    assert raster.alpha == (made.alpha is not None)


@EVERY
def test_windows_are_crops_of_the_whole(made: Made, tmp_path: Path) -> None:
    path = made.write(tmp_path)
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    rng = np.random.default_rng(1)
    with open_windows(path, scratch=scratch) as windows:
        whole = windows.window(WHOLE)
        assert whole.dtype == made.color.dtype
        assert abs(whole.astype(int) - made.color.astype(int)).max() <= made.off
        for _ in range(12):
            row, col = int(rng.integers(0, HEIGHT)), int(rng.integers(0, WIDTH))
            box = Box(row, col, int(rng.integers(1, HEIGHT - row + 1)), int(rng.integers(1, WIDTH - col + 1)))
            part = windows.window(box)
            assert part.flags.c_contiguous
            assert np.array_equal(part, whole[box.slices])
            shown = windows.alpha(box)
            assert (shown is None) == (made.alpha is None)
            assert shown is None or np.array_equal(shown, made.alpha[box.slices])
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    assert sorted(p.name for p in tmp_path.rglob("*")) == sorted([made.name, "scratch"])


@EVERY
@pytest.mark.parametrize("reduction", [2, 7, 100])
def test_views_are_means(made: Made, reduction: int, tmp_path: Path) -> None:
    with open_windows(made.write(tmp_path)) as windows:
        view = windows.view(reduction)
    want = expected_view(made, reduction)
    assert view.shape == want.shape
    assert view.dtype == made.color.dtype
    # half a code of rounding, one code of 65,535 for sums in 32-bit floats, and what the file itself loses
    assert abs(view - want).max() <= 0.5 + want.max() / 65535 + made.off


@EVERY
def test_view_at_full_size_is_the_picture(made: Made, tmp_path: Path) -> None:
    with open_windows(made.write(tmp_path)) as windows:
        assert np.array_equal(windows.view(1), windows.window(WHOLE))


def test_there_is_a_file_of_every_format() -> None:
    suffixes = {Path(made.name).suffix for made in made_files()}
    assert all(suffixes & set(known.suffixes) for known in FORMATS.values())


@EVERY
def test_the_name_does_not_matter(made: Made, tmp_path: Path) -> None:
    path = tmp_path / "picture.dat"
    path.write_bytes(made.data)
    assert made.name.endswith(FORMATS[format_of(path)].suffixes)
    assert read_raster(path).shape == made.color.shape


@pytest.mark.parametrize("box", [Box(0, 0, 0, 5), Box(-1, 0, 5, 5), Box(0, 0, HEIGHT + 1, 5), Box(0, WIDTH - 2, 5, 3)])
def test_boxes_outside_are_the_caller_s_mistake(box: Box, tmp_path: Path) -> None:
    with open_windows(made_files()[0].write(tmp_path)) as windows:
        with pytest.raises(ValueError, match="does not lie in"):
            windows.window(box)
        with pytest.raises(ValueError, match="does not lie in"):
            windows.alpha(box)


def test_a_reduction_below_one_is_the_caller_s_mistake(tmp_path: Path) -> None:
    with open_windows(made_files()[0].write(tmp_path)) as windows, pytest.raises(ValueError, match="at least 1"):
        windows.view(0)


@EVERY
def test_the_ceiling_holds_for_every_kind(made: Made, tmp_path: Path) -> None:
    path = made.write(tmp_path)
    assert read_raster(path, max_pixels=HEIGHT * WIDTH).shape[:2] == (HEIGHT, WIDTH)
    with pytest.raises(CanvasTooLarge, match="megapixels"):
        read_raster(path, max_pixels=HEIGHT * WIDTH - 1)
    with pytest.raises(CanvasTooLarge):
        open_windows(path, max_pixels=HEIGHT * WIDTH - 1)


@pytest.mark.parametrize(("place", "magic", "words"), OTHERS)
def test_other_pictures_are_called_by_their_name(place: int, magic: bytes, words: str, tmp_path: Path) -> None:
    path = tmp_path / "other.tif"
    path.write_bytes(bytes(place) + magic + b"more of it" * 4)
    with pytest.raises(UnreadableTile) as caught:
        read_raster(path)
    assert words in caught.value.found
    assert "other.tif" in caught.value.found


def test_unused_channels_and_odd_profiles_are_noted(tmp_path: Path) -> None:
    infrared = next(made for made in made_files() if made.name == "infrared.tif")
    assert any("further channel" in note for note in read_header(infrared.write(tmp_path)).notes)
    plain = next(made for made in made_files() if made.name == "profile.tif")
    assert read_header(plain.write(tmp_path)).notes == ()


def test_scene_has_something_to_see() -> None:
    assert scene().std() > 30  # a flat picture would hide swapped axes and channels
    assert all(abs(scene()[..., a].astype(int) - scene()[..., b]).mean() > 3 for a, b in ((0, 1), (1, 2), (0, 2)))


@pytest.mark.parametrize("call", [read_raster, open_windows, format_of])
def test_files_that_may_not_be_read_say_so(call: object, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = made_files()[0].write(tmp_path)

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)  # root may read everything, so that a real file would not do
    with pytest.raises(UnreadableTile, match="permission denied") as caught:
        call(path)
    assert "permissions" in caught.value.attempt
