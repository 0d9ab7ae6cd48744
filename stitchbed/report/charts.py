"""I prepare the page's small charts: gains of the pieces, errors of the bed, how long the residuals are.

In: numbers of the record. Out: places in user units and words; `templates/chart.html` draws them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from stitchbed.report.records import number, rows

WIDTH, HEIGHT = 720, 260  # user units of every chart; the page scales it to the column
LEFT, RIGHT, TOP, BOTTOM = 56, 704, 14, 220  # of its axes
HALF_SEEN = 0.5  # share of doubt that overlaps removed; below it a curve is mostly what was expected anyway
CHANNELS = ("red", "green", "blue")
BARS = 30


@dataclass(frozen=True)
class Tick:
    """A word at a place along an axis."""

    at: float
    text: str


@dataclass(frozen=True)
class Mark:
    """One value of a channel (0, 1, 2), told apart by shape as well as by color."""

    channel: int
    x: float
    y: float
    text: str


@dataclass(frozen=True)
class Curve:
    """A line: path words. look : of which its color and dots are made."""

    look: str
    path: str


@dataclass(frozen=True)
class Bar:
    """A count."""

    x: float
    y: float
    width: float
    height: float
    text: str


@dataclass(frozen=True)
class Chart:
    """One chart. legend : (x, look, words)."""

    title: str
    x_name: str
    y_name: str
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    marks: tuple[Mark, ...] = ()
    curves: tuple[Curve, ...] = ()
    bars: tuple[Bar, ...] = ()
    legend: tuple[tuple[int, str, str], ...] = ()


@dataclass(frozen=True)
class Axes:
    """Ranges shown, data units."""

    x0: float
    x1: float
    y0: float
    y1: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Place in the chart, user units."""
        px = LEFT + (x - self.x0) / (self.x1 - self.x0) * (RIGHT - LEFT)
        return round(px, 1), round(BOTTOM - (y - self.y0) / (self.y1 - self.y0) * (BOTTOM - TOP), 1)

    def x_ticks(self, style: str) -> tuple[Tick, ...]:
        """Round values along the bottom."""
        return tuple(Tick(self.at(value, 0)[0], format(value, style)) for value in _even(self.x0, self.x1))

    def y_ticks(self) -> tuple[Tick, ...]:
        """Round values up the side."""
        return tuple(Tick(self.at(self.x0, value)[1], f"{value:.6g}") for value in _even(self.y0, self.y1))


def gains_chart(record: Mapping[str, Any]) -> Chart | None:
    """Gain of every piece, percent from 1, one mark per channel."""
    gains = rows(record, "gains")
    table = [[100 * (number(value, 1.0) - 1) for value in _triple(item.get("gain"))] for item in gains]
    if not table:
        return None
    reach = max(1.0, float(np.abs(table).max()) * 1.15)
    axes = Axes(-0.5, len(table) - 0.5, -reach, reach)
    marks = tuple(
        Mark(c, *axes.at(i + (c - 1) * 0.16, value), f"{i + 1}. {gains[i].get('tile')}: {CHANNELS[c]} {value:+.2f} %")
        for i, values in enumerate(table)
        for c, value in enumerate(values)
    )
    ticks = tuple(Tick(axes.at(i, 0)[0], str(i + 1)) for i in range(0, len(table), max(1, -(-len(table) // 20))))
    return Chart("Gain of each piece in percent, by channel", "piece", "gain, %", ticks, axes.y_ticks(), marks=marks)


def bed_chart(bed: Mapping[str, Any]) -> Chart | None:
    """Error of the head along its travel, both axes, in micrometers; dotted where no overlap saw it."""
    travel = _numbers(bed.get("travel_mm"))
    lines = {name: 1000 * _numbers(bed.get(f"{name}_mm")) for name in ("offset_y", "offset_x")}
    lines = {name: values for name, values in lines.items() if len(values) == len(travel)}
    if len(travel) < 2 or not lines:
        return None
    reach = max(10.0, max(float(np.abs(values).max()) for values in lines.values()) * 1.15)
    axes = Axes(float(travel[0]), float(max(travel[-1], travel[0] + 1)), -reach, reach)
    curves = tuple(
        curve
        for index, (name, values) in enumerate(lines.items())
        for curve in _curve(axes, (travel, values), _seen(bed, name, len(travel)), f"line{index}")
    )
    words = {"offset_y": "along the bed", "offset_x": "across"}
    legend = tuple((LEFT + 8 + 210 * index, f"line{index}", words[name]) for index, name in enumerate(lines))
    names = ("Error of the bed along the travel of its head", "travel of the head, mm", "error, µm")
    return Chart(*names, axes.x_ticks(".0f"), axes.y_ticks(), curves=curves, legend=legend)


def residual_chart(record: Mapping[str, Any]) -> Chart | None:
    """How many residuals are how long."""
    lengths = np.array([np.hypot(number(r.get("dx")), number(r.get("dy"))) for r in rows(record, "residuals")])
    if len(lengths) < 2:
        return None
    top = max(1.0, float(np.percentile(lengths, 99.5)))
    counts, edges = np.histogram(np.minimum(lengths, top), bins=BARS, range=(0, top))
    axes = Axes(0, top, 0, float(counts.max()) * 1.08)
    bars = []
    for count, left, right in zip(counts, edges[:-1], edges[1:], strict=True):
        (x0, y0), (x1, y1) = axes.at(float(left), float(count)), axes.at(float(right), 0)
        text = f"{left:.2f} to {right:.2f} px: {count}"
        bars.append(Bar(round(x0 + 0.5, 1), y0, round(x1 - x0 - 1, 1), round(y1 - y0, 1), text))
    names = ("How long the residuals are", "length of the residual, px", "points")
    return Chart(*names, axes.x_ticks(".2g"), axes.y_ticks(), bars=tuple(bars))


def _curve(axes: Axes, line: tuple[Any, Any], seen: Sequence[bool], look: str) -> list[Curve]:
    """Stretches of a curve: full where both ends were observed, thin elsewhere."""
    travel, values = line
    words: dict[str, str] = {look: "", f"{look} unseen": ""}
    for i in range(len(travel) - 1):
        (x0, y0), (x1, y1) = axes.at(travel[i], values[i]), axes.at(travel[i + 1], values[i + 1])
        words[look if seen[i] and seen[i + 1] else f"{look} unseen"] += f"M{x0} {y0}L{x1} {y1}"
    return [Curve(name, path) for name, path in words.items() if path]


def _triple(value: object) -> list[Any]:
    items = list(value) if isinstance(value, Sequence) and not isinstance(value, str) else [1.0]
    return (items * 3)[:3] if len(items) < 3 else items[:3]


def _numbers(value: object) -> Any:
    return np.array([number(item) for item in value] if isinstance(value, list | tuple) else [], np.float64)


def _seen(bed: Mapping[str, Any], name: str, count: int) -> list[bool]:
    """Whether overlaps saw each place: said per place, or as one share (0..1) per named error."""
    listed = _numbers(bed.get("observed"))
    names = bed.get("observed_names")
    if isinstance(names, list | tuple) and name in names and len(listed) == len(names):
        return [bool(listed[names.index(name)] > HALF_SEEN)] * count
    return [bool(item) for item in listed] if len(listed) == count else [True] * count


def _even(low: float, high: float) -> list[float]:
    """About five round values between two ends."""
    raw = (high - low) / 5
    power = 10.0 ** np.floor(np.log10(raw))
    step = float(min((m * power for m in (1, 2, 5, 10)), key=lambda s: abs(s - raw)))
    return [round(float(value), 10) for value in np.arange(np.ceil(low / step) * step, high + step / 1000, step)]
