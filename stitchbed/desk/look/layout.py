"""I lay pieces out on one sheet for the viewer: each a layer with its motion, from islands that hang together.

In: placed pieces with their sizes. Out: layers, with motions into one picture whose top left corner is (0, 0).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from stitchbed.core.quantities import MM_PER_INCH

GAP = 0.08  # of an island's width, between it and the next: they have no place beside each other

Motion = Sequence[Sequence[float]]


def laid_out(placed: Sequence[Mapping[str, Any]], *, upright: bool = True) -> dict[str, Any]:
    """The pieces of each island on one sheet, islands beside each other.

    upright : turned so that most pieces stand. Returns width and height, px of the whole, and layers: the pieces with
    `matrix`, [a, b, c, d, e, f] of x' = a x + c y + e.
    """
    layers: list[dict[str, Any]] = []
    left = tallest = 0.0
    for island in sorted({int(row["island"]) for row in placed}):
        rows = [dict(row) for row in placed if row["island"] == island]
        rows = _upright(rows) if upright else rows
        x, y, right, bottom = _bounds(rows)
        layers += [{**row, "matrix": _moved(row["sheet_from_tile"], left - x, -y)} for row in rows]
        left += (right - x) * (1 + GAP)
        tallest = max(tallest, bottom - y)
        wide = left - (right - x) * GAP
    dpi = next((row["dpi"] for row in placed if row["dpi"]), None)
    return {"width": round(wide), "height": round(tallest), "layers": layers, "dpi": dpi}


def flat(motion: Motion) -> list[float]:
    """A 3x3 as the six numbers a layer has."""
    return _moved(motion, 0.0, 0.0)


def put_near(piece: Mapping[str, Any], of: Mapping[str, Any], hint: Mapping[str, Any]) -> list[float]:
    """The six numbers of a layer whose middle lies at `at` mm of another one, turned by `turn` degrees against it."""
    turn = math.radians(float(hint.get("turn") or 0.0))
    ratio = of["dpi"] / piece["dpi"]
    cos, sin = ratio * math.cos(turn), ratio * math.sin(turn)
    x, y = (mm * of["dpi"] / MM_PER_INCH - 0.5 for mm in hint["at"])
    midx, midy = (piece["width"] - 1) / 2, (piece["height"] - 1) / 2
    own = ((cos, -sin, x - cos * midx + sin * midy), (sin, cos, y - sin * midx - cos * midy), (0, 0, 1))
    a, b, c, d, e, f = of["matrix"]
    return flat(_product(((a, c, e), (b, d, f), (0, 0, 1)), own))


def corners_of(row: Mapping[str, Any]) -> list[tuple[float, float]]:
    """The piece's corners on its sheet, px."""
    w, h = row["width"] - 1, row["height"] - 1
    (a, c, e), (b, d, f), _ = row["sheet_from_tile"]
    return [(a * x + c * y + e, b * x + d * y + f) for x, y in ((0, 0), (w, 0), (w, h), (0, h))]


def _upright(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The sheet turned by quarters so that most pieces stand as they were scanned."""
    quarters = [
        round(math.atan2(row["sheet_from_tile"][1][0], row["sheet_from_tile"][0][0]) / (math.pi / 2)) % 4
        for row in rows
    ]
    turn = Counter(quarters).most_common(1)[0][0]
    cos, sin = ((1, 0), (0, -1), (-1, 0), (0, 1))[turn]
    spin = ((cos, -sin, 0), (sin, cos, 0), (0, 0, 1))
    return [{**row, "sheet_from_tile": _product(spin, row["sheet_from_tile"])} for row in rows]


def _product(a: Motion, b: Motion) -> list[list[float]]:
    return [[sum(a[i][k] * b[k][j] for k in range(3)) for j in range(3)] for i in range(3)]


def _bounds(rows: Sequence[Mapping[str, Any]]) -> tuple[float, float, float, float]:
    """(left, top, right, bottom) of all corners, px."""
    corners = [corner for row in rows for corner in corners_of(row)]
    xs, ys = [x for x, _ in corners], [y for _, y in corners]
    return min(xs), min(ys), max(xs), max(ys)


def _moved(motion: Motion, dx: float, dy: float) -> list[float]:
    (a, c, e), (b, d, f), _ = motion
    return [a, b, c, d, e + dx, f + dy]
