"""I check how figures that are only roughly known are written."""

from __future__ import annotations

from stitchbed.core.quantities import two_digits


def test_rough_figures_have_two_digits_and_no_powers_of_ten() -> None:
    assert [two_digits(value) for value in (0.0718, 8.44, 158.0, 1634.0, 0.0)] == ["0.072", "8.4", "160", "1600", "0"]
