"""I say when a fit of color is not to be trusted, and which figures it yields.

In: a fit and the paired patches. Out: an error that names the likely mistake; figures for the grade.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from stitchbed.color.fit import ColorFit, fit_color, neutral_error
from stitchbed.core.errors import BadSettings
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.targets.pairing import Paired

WORST_MEAN = 8.0  # mean held-out dE2000 of a chart with its own reference is below 5 even under narrow-band light
BETTER = 0.5  # another way round that leaves less than this share of the difference was the true one


def doubt_fit(fit: ColorFit, pair: Paired, photo: Photo) -> None:
    """Refuse a fit that leaves too much, naming the likeliest mistake.

    Raises
    ------
    BadSettings : corners given the wrong way round; another reference than the chart's.
    """
    left = float(fit.de00_held_out.mean())
    if left <= WORST_MEAN:
        return
    way = _other_way(pair, left) if pair.corners is not None else None
    if way is not None:
        raise BadSettings(
            f"the chart in {photo.tile.name} lies {way}, seen from the corners given",
            expected="corners from the chart's own top left clockwise, in a picture that is not mirrored",
            attempt="the same four corners, beginning at the corner next to the first patch",
        )
    raise BadSettings(
        f"the patches read in {photo.tile.name} do not fit {pair.title}: they differ by {left:.1f} dE2000 on average "
        "after the best fit",
        expected=f"below {WORST_MEAN:g}",
        attempt="the reference file or edition of this very chart; the right --card; corners at its patch field",
    )


def color_figures(fit: ColorFit, pair: Paired) -> dict[str, float]:
    """Figures by the names of `grade.RULES`, from patches the fit had not seen."""
    figures = {"color": float(fit.de00_held_out.mean())}
    if pair.neutral.any():
        figures["tone"] = float(np.abs(fit.held_out[pair.neutral, 0] - pair.lab[pair.neutral, 0]).max())
        figures["white_balance"] = float(neutral_error(fit.held_out, pair.lab, pair.neutral).max())
    return figures


def _other_way(pair: Paired, left: float) -> str | None:
    """The way round in which the readings would fit, for charts whose patches form a grid that maps onto itself."""
    places = {name: index for index, name in enumerate(pair.names)}
    for way, order in _other_orders(pair.names).items():
        kept = [(places[name], places[other]) for name, other in order.items() if other in places]
        if len(kept) < len(pair.names) * 0.8:
            continue
        own, other = np.array(kept).T
        again = fit_color(pair.light[other], pair.lab[own], pair.neutral[own], "matrix")
        if again.de00_held_out.mean() < BETTER * left:
            return way
    return None


def _other_orders(names: tuple[str, ...]) -> Mapping[str, dict[str, str]]:
    """Way round -> patch -> the patch whose reading it would have had; for names of a grid (row, column)."""
    matches = {name: re.fullmatch(r"([A-Z]{1,2})(\d+)", name) for name in names}
    cells = {name: (m[1].rjust(2), int(m[2])) for name, m in matches.items() if m is not None}
    rows = sorted({row for row, _ in cells.values()})
    columns = sorted({column for _, column in cells.values()})
    places = {(rows.index(r), columns.index(c)): name for name, (r, c) in cells.items()}
    down, across = len(rows) - 1, len(columns) - 1
    ways = {
        "upside down": {(r, c): (down - r, across - c) for r, c in places},
        "mirrored": {(r, c): (r, across - c) for r, c in places},
        "mirrored and upside down": {(r, c): (down - r, c) for r, c in places},
    }
    return {way: {places[at]: places.get(to, "") for at, to in moves.items()} for way, moves in ways.items()}
