"""I check that every bad or odd input ends in words, never in another error, noise, a leftover or a touched file."""

from __future__ import annotations

import struct
import time
from pathlib import Path

import pytest
from bad_case import state
from bad_pictures import Case, cases
from peak_memory import run_measured
from picture_files import scene
from tiff_bytes import Plan, tiff

from stitchbed.core.errors import StitchbedError
from stitchbed.imaging.box import Box, clipped
from stitchbed.reading.formats import open_windows, read_header, read_raster
from stitchbed.reading.intake import take_in


def look_at(path: Path, scratch: Path) -> tuple[str, ...]:
    """Read everything of a file; returns the notes of its header."""
    read_raster(path)
    with open_windows(path, scratch=scratch) as windows:
        rows, cols, channels = windows.raster.shape
        assert windows.view(3).shape == (-(-rows // 3), -(-cols // 3), channels)
        corner = clipped(Box(rows - 9, cols - 9, 9, 9), Box(0, 0, rows, cols))
        for box in (Box(0, 0, 1, 1), corner):
            assert windows.window(box).shape == (box.height, box.width, channels)
            windows.alpha(box)
    return read_header(path).notes


@pytest.mark.parametrize("case", cases(), ids=lambda case: case.name)
def test_every_case_ends_as_it_must(case: Case, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    scratch = tmp_path / "scratch"
    inputs = tmp_path / "inputs"
    scratch.mkdir()
    inputs.mkdir()
    try:
        path = case.place(inputs)
    except OSError as error:
        pytest.skip(f"no such file can be made here: {error.strerror}")
    before = {} if case.name == "folder-not-allowed" else state(inputs)
    if case.fault is None:
        notes = look_at(path, scratch)
        assert any(case.words in note for note in notes) if case.words else not notes
        assert (
            take_in([path])[1] == [f"{take_in([path])[0][0].path}: {note}" for note in notes]
            or not path.name.isprintable()
        )
    else:
        with pytest.raises(StitchbedError) as caught:
            look_at(path, scratch)
        assert type(caught.value) is case.fault
        assert case.words in caught.value.found
        assert all(part.strip() for part in (caught.value.found, caught.value.expected, caught.value.attempt))
        assert str(caught.value).isprintable() or "\n" in str(caught.value)
        assert path.name.split("\0")[0].encode("unicode_escape").decode()[:9] in caught.value.found
    assert capfd.readouterr() == ("", "")
    assert list(scratch.iterdir()) == []
    assert case.name == "folder-not-allowed" or state(inputs) == before


def test_there_are_enough_cases_and_none_hides_another() -> None:
    assert len(cases()) >= 150
    assert len({case.name for case in cases()}) == len(cases())


REFUSED = """
import sys, time
from pathlib import Path
from stitchbed.core.errors import StitchbedError
from stitchbed.reading.formats import open_windows
begun = time.perf_counter()
try:
    open_windows(Path(sys.argv[1]))
except StitchbedError as error:
    print(type(error).__name__)
print(time.perf_counter() - begun)
"""


def test_ten_gigapixels_in_100_kilobytes_are_refused_at_once(tmp_path: Path) -> None:
    extra = {256: (4, [100_000]), 257: (4, [100_000])}
    data = tiff(scene(1, height=250, width=400), Plan(extra=extra))
    path = tmp_path / "ten.tif"
    path.write_bytes(data)
    assert 99_000 < len(data) < 105_000
    (kind, seconds), peak = run_measured(REFUSED, path)
    assert kind == "CanvasTooLarge"
    assert float(seconds) < 1
    assert peak < 200  # MiB, of which the program with its libraries takes 116


def test_many_pages_are_not_walked(tmp_path: Path) -> None:
    whole = tiff(scene())
    at = struct.unpack("<I", whole[4:8])[0]
    link = at + 2 + 12 * struct.unpack("<H", whole[at : at + 2])[0]
    path = tmp_path / "pages.tif"
    path.write_bytes(whole[:link] + struct.pack("<I", at) + whole[link + 4 :])
    begun = time.perf_counter()
    assert read_raster(path).shape == scene().shape
    assert time.perf_counter() - begun < 0.5
