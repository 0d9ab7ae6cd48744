"""I check how figures that are only roughly known are written."""

from __future__ import annotations

from stitchbed.core.quantities import likely_dpi, two_digits


def test_rough_figures_have_two_digits_and_no_powers_of_ten() -> None:
    assert [two_digits(value) for value in (0.0718, 8.44, 158.0, 1634.0, 0.0)] == ["0.072", "8.4", "160", "1600", "0"]


def test_a_scan_that_does_not_say_its_dpi_is_taken_for_about_an_a4_bed() -> None:
    def side(mm: float, dpi: float) -> float:
        return mm / 25.4 * dpi

    assert [likely_dpi(side(297, dpi)) for dpi in (75, 100, 150, 300, 600, 1200)] == [75, 100, 150, 300, 600, 1200]
    assert [likely_dpi(side(210, dpi)) for dpi in (150, 300, 600)] == [100, 200, 400]  # beds of an A5 sheet
    assert likely_dpi(10) == 75 and likely_dpi(1e6) == 2400
