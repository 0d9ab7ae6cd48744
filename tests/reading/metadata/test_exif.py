"""I check EXIF against what Pillow writes, and that damage says nothing."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from stitchbed.reading.metadata.exif import read_exif


def written(turn: int | None, dpi: float | None, unit: int = 2) -> bytes:
    """The bytes behind "Exif\\0\\0" as Pillow writes them."""
    exif = Image.Exif()
    if turn is not None:
        exif[274] = turn
    if dpi is not None:
        exif[282] = exif[283] = IFDRational(round(dpi * 1000), 1000)
        exif[296] = unit
    return exif.tobytes().removeprefix(b"Exif\0\0")


@pytest.mark.parametrize("turn", range(1, 9))
def test_turns_and_densities_of_pillow(turn: int) -> None:
    assert read_exif(written(turn, 240)) == (turn, (240.0, 240.0))
    assert read_exif(written(turn, 118.11, unit=3)) == (turn, (300.0, 300.0))
    assert read_exif(written(turn, None)) == (turn, None)


def test_what_is_not_said_is_upright_and_without_density() -> None:
    assert read_exif(written(None, 72.5)) == (1, (72.5, 72.5))
    assert read_exif(written(9, None)) == (1, None)  # CIPA DC-008, 4.6.4: 1 to 8, others are reserved
    assert read_exif(b"") == (1, None)


@given(st.binary(max_size=80), st.integers(0, 90))
@example(b"MM\0*", 4)
def test_damaged_exif_is_no_reason_to_refuse(noise: bytes, kept: int) -> None:
    turn, dpi = read_exif(written(6, 300)[:kept] + noise)
    assert 1 <= turn <= 8
    assert dpi is None or min(dpi) > 0
