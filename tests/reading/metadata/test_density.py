"""I check that densities come back as they were meant, against the units of the standards."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stitchbed.reading.metadata.density import COMMON, LEAST, MOST, from_jfif, from_png, from_tiff


@given(st.integers(2, 2400), st.integers(2, 2400))
def test_whole_dpi_survive_rounding_to_pixels_per_meter(x: int, y: int) -> None:
    # ISO/IEC 15948, 11.3.5.3: whole px per meter; an inch is 0.0254 m exactly
    stored = [round(Fraction(dpi * 10_000, 254)) for dpi in (x, y)]
    assert from_png(*stored) == (x, y)


@pytest.mark.parametrize("dpi", COMMON)
def test_usual_dpi_survive_rounding_to_whole_numbers_per_cm(dpi: int) -> None:
    per_cm = round(dpi / 2.54)  # T.871, 10.1: unit 2 is dots per cm
    assert from_jfif(2, per_cm, per_cm) == (dpi, dpi)


def test_units_of_jfif() -> None:
    assert from_jfif(1, 300, 150) == (300.0, 150.0)
    assert from_jfif(0, 1, 1) is None  # only the shape of a pixel
    assert from_jfif(3, 300, 300) is None


@pytest.mark.parametrize("fraction", [(300, 1), (3_000_000, 10_000), (2999999, 10_000)])
def test_fractions_per_inch(fraction: tuple[int, int]) -> None:
    assert from_tiff(2, fraction, fraction) == (300.0, 300.0)


def test_fractions_per_cm_and_pairs_that_differ() -> None:
    assert from_tiff(3, (11811, 100), (23622, 100)) == (300.0, 600.0)
    assert from_tiff(2, (1234567, 1000), (300, 1)) == (1234.567, 300.0)  # nothing usual near: kept as it is
    assert from_tiff(1, (300, 1), (300, 1)) is None  # unit 1: no absolute unit (TIFF 6.0, tag 296)


@given(st.integers(-(2**31), 2**31), st.integers(-3, 2**31), st.sampled_from([0, 1, 2, 3, 7]))
def test_what_is_told_is_sensible_or_nothing(top: int, bottom: int, unit: int) -> None:
    pair = from_tiff(unit, (top, bottom), (top, bottom))
    if pair is not None:
        assert all(math.isfinite(dpi) and LEAST - 0.5 <= dpi <= MOST + 0.5 for dpi in pair)
        assert math.isclose(pair[0], top / bottom * (2.54 if unit == 3 else 1), abs_tol=0.0128)
    else:
        assert unit not in (2, 3) or bottom == 0 or not LEAST <= top / bottom * (2.54 if unit == 3 else 1) <= MOST
