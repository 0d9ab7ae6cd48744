"""I check the proof page's charts: that every value stands where the axes say, and axes have round values."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stitchbed.report.charts import BARS, BOTTOM, LEFT, RIGHT, TOP, Axes, Chart, bed_chart, gains_chart, residual_chart


def value_at(ticks: list[tuple[float, float]], place: float) -> float:
    """The value at a place along an axis, from its ticks (place, value)."""
    places, values = np.array(ticks).T
    slope, offset = np.polyfit(places, values, 1)
    return float(slope * place + offset)


def up(chart: Chart) -> list[tuple[float, float]]:
    """Ticks of the side."""
    return [(tick.at, float(tick.text)) for tick in chart.y_ticks]


@given(low=st.floats(-1e4, 1e4), span=st.floats(1e-3, 1e4))
def test_ticks_are_few_round_and_within_the_axes(low: float, span: float) -> None:
    axes = Axes(low, low + span, 0.0, span)
    ticks = axes.y_ticks()
    assert 3 <= len(ticks) <= 11
    assert all(TOP - 0.1 <= tick.at <= BOTTOM + 0.1 for tick in ticks)
    steps = np.diff([float(tick.text) for tick in ticks])
    assert np.allclose(steps, steps[0], rtol=1e-4)
    lead = steps[0] / 10.0 ** np.floor(np.log10(steps[0]) + 1e-6)
    assert min(abs(lead - one) for one in (1, 2, 5, 10)) < 1e-3
    assert axes.at(low, 0.0) == (LEFT, BOTTOM)
    assert axes.at(low + span, span) == pytest.approx((RIGHT, TOP), abs=0.11)


def test_gains_stand_at_their_percent() -> None:
    record = {"gains": [{"tile": "a.tif", "gain": [1.02, 1.0, 0.97]}, {"tile": "b.tif", "gain": [1.1]}]}
    chart = gains_chart(record)
    assert chart is not None
    assert len(chart.marks) == 6  # a lone gain is of all channels
    wanted = [2, 0, -3, 10, 10, 10]
    assert [value_at(up(chart), mark.y) for mark in chart.marks] == pytest.approx(wanted, abs=0.1)
    assert [mark.channel for mark in chart.marks] == [0, 1, 2] * 2
    assert chart.marks[2].text == "1. a.tif: blue -3.00 %"
    assert [tick.text for tick in chart.x_ticks] == ["1", "2"]
    assert chart.marks[1].x == chart.x_ticks[0].at and chart.marks[4].x == chart.x_ticks[1].at
    many = gains_chart({"gains": [{"gain": [1.0]}] * 150})
    assert many is not None and len(many.x_ticks) <= 20


def test_nothing_told_draws_nothing() -> None:
    assert gains_chart({}) is None and gains_chart({"gains": "?"}) is None
    assert bed_chart({}) is None and bed_chart({"travel_mm": [0, 10], "offset_x_mm": [0.1]}) is None
    assert residual_chart({"residuals": [{"dx": 1, "dy": 0}]}) is None


def test_the_bed_s_errors_are_micrometers_over_millimeters() -> None:
    travel, along = [0, 50, 100, 150], [0.0, 0.02, -0.01, 0.04]
    bed = {"travel_mm": travel, "offset_y_mm": along, "offset_x_mm": [0.0] * 4, "observed": [1, 1, 0, 1]}
    chart = bed_chart(bed)
    assert chart is not None
    places = [[float(n) for n in re.findall(r"-?[\d.]+", curve.path)] for curve in chart.curves]
    by_look = dict(zip([curve.look for curve in chart.curves], places, strict=True))
    assert by_look["line0"][:4] == pytest.approx([*at(chart, 0, 0), *at(chart, 50, 20)], abs=0.2)  # seen: both ends are
    assert len(by_look["line0"]) == 4 and len(by_look["line0 unseen"]) == 8
    assert by_look["line0 unseen"][-2:] == pytest.approx(at(chart, 150, 40), abs=0.2)
    assert [words for _, _, words in chart.legend] == ["along the bed", "across"]


def at(chart: Chart, x: float, y: float) -> list[float]:
    """Place of a value, by the chart's ticks."""
    along = [(float(tick.text), tick.at) for tick in chart.x_ticks]
    side = [(value, place) for place, value in up(chart)]
    return [value_at(along, x), value_at(side, y)]


@pytest.mark.parametrize(("share", "looks"), [(0.9, ["line0"]), (0.2, ["line0 unseen"])])
def test_one_share_for_a_whole_curve(share: float, looks: list[str]) -> None:
    bed = {"travel_mm": [0, 9], "offset_y_mm": [0, 0], "observed": [share], "observed_names": ["offset_y"]}
    chart = bed_chart(bed)
    assert chart is not None and [curve.look for curve in chart.curves] == looks


def test_residuals_are_counted_as_numpy_counts() -> None:
    rng = np.random.default_rng(1)
    dx, dy = rng.normal(0, 1, (2, 400))
    chart = residual_chart({"residuals": [{"dx": float(x), "dy": float(y)} for x, y in zip(dx, dy, strict=True)]})
    assert chart is not None and len(chart.bars) == BARS
    counts = [int(bar.text.rsplit(": ", 1)[1]) for bar in chart.bars]
    assert sum(counts) == 400
    lengths = np.hypot(dx, dy)
    top = np.percentile(lengths, 99.5)
    assert counts == np.histogram(np.minimum(lengths, top), BARS, (0, top))[0].tolist()
    heights = np.array([bar.height for bar in chart.bars])
    assert np.allclose(heights / heights.max(), np.array(counts) / max(counts), atol=0.002)
    assert all(bar.y + bar.height == pytest.approx(BOTTOM, abs=0.11) for bar in chart.bars)
