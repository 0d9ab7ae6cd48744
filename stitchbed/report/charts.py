"""I draw the page's small charts as SVG: gains of the pieces, errors of the bed, how long the residuals are.

In: numbers. Out: SVG text without styles of its own (the page's style sheet colors the classes), names escaped.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np

from stitchbed.report.overlays import number, rows

WIDTH, HEIGHT = 720, 260  # user units of every chart; the page scales it to the column
LEFT, RIGHT, TOP, BOTTOM = 56, 16, 14, 40
HALF_SEEN = 0.5  # share of doubt that overlaps removed; below it a curve is mostly what was expected anyway
CHANNELS = ("red", "green", "blue")


@dataclass(frozen=True)
class Axes:
    """Ranges shown, data units."""

    x0: float
    x1: float
    y0: float
    y1: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Place in the chart, user units."""
        px = LEFT + (x - self.x0) / (self.x1 - self.x0) * (WIDTH - LEFT - RIGHT)
        return px, HEIGHT - BOTTOM - (y - self.y0) / (self.y1 - self.y0) * (HEIGHT - TOP - BOTTOM)


def gains_chart(record: Mapping[str, Any]) -> str:
    """Gain of every piece, percent from 1, one mark per channel."""
    gains = rows(record, "gains")
    table = [[100 * (number(value, 1.0) - 1) for value in _triple(item.get("gain"))] for item in gains]
    if not table:
        return ""
    reach = max(1.0, float(np.abs(table).max()) * 1.15)
    axes = Axes(-0.5, len(table) - 0.5, -reach, reach)
    parts = [_frame(axes, "piece", "gain, %", [(i, str(i + 1)) for i in _few(len(table))])]
    for index, (item, values) in enumerate(zip(gains, table, strict=True)):
        name = escape(str(item.get("tile")))
        for channel, value in enumerate(values):
            x, y = axes.at(index + (channel - 1) * 0.16, value)
            text = f"{index + 1}. {name}: {CHANNELS[channel]} {value:+.2f} %"
            parts.append(_mark(channel, x, y, text))
    return _svg("Gain of each piece in percent, by channel", parts)


def bed_chart(bed: Mapping[str, Any]) -> str:
    """Error of the head along its travel, both axes, in micrometers; dotted where no overlap saw it."""
    travel = _numbers(bed.get("travel_mm"))
    lines = {name: 1000 * _numbers(bed.get(f"{name}_mm")) for name in ("offset_y", "offset_x")}
    lines = {name: values for name, values in lines.items() if len(values) == len(travel)}
    if len(travel) < 2 or not lines:
        return ""
    reach = max(10.0, max(float(np.abs(values).max()) for values in lines.values()) * 1.15)
    axes = Axes(float(travel[0]), float(max(travel[-1], travel[0] + 1)), -reach, reach)
    parts = [_frame(axes, "travel of the head, mm", "error, µm", [(x, f"{x:.0f}") for x in _even(axes.x0, axes.x1)])]
    for index, (name, values) in enumerate(lines.items()):
        parts += _curve(axes, (travel, values), _seen(bed, name, len(travel)), f"line{index}")
    words = {"offset_y": "along the bed", "offset_x": "across"}
    legend = [_label(LEFT + 8 + 150 * i, TOP + 8, words[name], f"line{i}") for i, name in enumerate(lines)]
    return _svg("Error of the bed along the travel of its head", parts + legend)


def residual_chart(record: Mapping[str, Any]) -> str:
    """How many residuals are how long."""
    lengths = np.array([np.hypot(number(r.get("dx")), number(r.get("dy"))) for r in rows(record, "residuals")])
    if len(lengths) < 2:
        return ""
    top = max(1.0, float(np.percentile(lengths, 99.5)))
    counts, edges = np.histogram(np.minimum(lengths, top), bins=30, range=(0, top))
    axes = Axes(0, top, 0, float(counts.max()) * 1.08)
    parts = [_frame(axes, "length of the residual, px", "points", [(x, f"{x:.2g}") for x in _even(0, top)])]
    for count, left, right in zip(counts, edges[:-1], edges[1:], strict=True):
        (x0, y0), (x1, y1) = axes.at(float(left), float(count)), axes.at(float(right), 0)
        shape = f'x="{x0 + 0.5:.1f}" y="{y0:.1f}" width="{x1 - x0 - 1:.1f}" height="{y1 - y0:.1f}"'
        parts.append(f'<rect class="bar" {shape}><title>{left:.2f} to {right:.2f} px: {count}</title></rect>')
    return _svg("How long the residuals are", parts)


def _svg(title: str, parts: Sequence[str]) -> str:
    return (
        f'<svg class="chart" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(title)}">'
        + "".join(parts)
        + "</svg>"
    )


def _frame(axes: Axes, x_name: str, y_name: str, x_ticks: Sequence[tuple[float, str]]) -> str:
    parts = []
    for value in _even(axes.y0, axes.y1):
        x, y = axes.at(axes.x0, value)
        parts.append(f'<path class="grid" d="M{x:.1f} {y:.1f}H{WIDTH - RIGHT}"/>')
        parts.append(f'<text class="tick end" x="{x - 6:.1f}" y="{y + 4:.1f}">{value:.3g}</text>')
    for value, text in x_ticks:
        x, y = axes.at(value, axes.y0)
        parts.append(f'<text class="tick mid" x="{x:.1f}" y="{y + 16:.1f}">{escape(text)}</text>')
    middle = (LEFT + WIDTH - RIGHT) / 2
    parts.append(f'<text class="name mid" x="{middle:.1f}" y="{HEIGHT - 6}">{escape(x_name)}</text>')
    parts.append(
        f'<text class="name mid" transform="translate(14 {HEIGHT / 2 - 10:.0f}) rotate(-90)">{escape(y_name)}</text>'
    )
    return "".join(parts)


def _mark(channel: int, x: float, y: float, text: str) -> str:
    """Circle, square and diamond: told apart without color."""
    shapes = (
        f'<circle class="ch0" cx="{x:.1f}" cy="{y:.1f}" r="4.5">',
        f'<rect class="ch1" x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8">',
        f'<path class="ch2" d="M{x:.1f} {y - 5.5:.1f}l5.5 5.5l-5.5 5.5l-5.5 -5.5z">',
    )
    return f"{shapes[channel]}<title>{text}</title></{('circle', 'rect', 'path')[channel]}>"


def _curve(axes: Axes, line: tuple[Any, Any], seen: Sequence[bool], kind: str) -> list[str]:
    """Stretches of a curve: full where both ends were observed, thin elsewhere."""
    travel, values = line
    words: dict[str, list[str]] = {kind: [], f"{kind} unseen": []}
    for i in range(len(travel) - 1):
        (x0, y0), (x1, y1) = axes.at(travel[i], values[i]), axes.at(travel[i + 1], values[i + 1])
        name = kind if seen[i] and seen[i + 1] else f"{kind} unseen"
        words[name].append(f"M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}")
    return [f'<path class="curve {name}" d="{"".join(parts)}"/>' for name, parts in words.items() if parts]


def _label(x: float, y: float, text: str, kind: str) -> str:
    line = f'<path class="curve {kind}" d="M{x} {y}h22"/>'
    return f'{line}<text class="tick" x="{x + 28}" y="{y + 4}">{escape(text)}</text>'


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


def _few(count: int) -> list[int]:
    return list(range(0, count, max(1, -(-count // 20))))
