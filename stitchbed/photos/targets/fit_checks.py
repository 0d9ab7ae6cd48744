"""I fit what patches tell of color, say when that is not to be trusted, and which figures it yields.

In: the paired patches. Out: a fit without what contradicts all others; an error that names the likely mistake; figures.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from stitchbed.color.cielab import de00, lab_from_xyz, xyz_from_lab
from stitchbed.color.fit import FEWEST, ColorFit, fit_color, neutral_error, xyz_of
from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.targets.pairing import Paired, only

WORST_MEAN = 8.0  # mean held-out dE2000 of a chart with its own reference is below 5 even under narrow-band light
UNEVEN_LIGHT = 0.06  # share of light lost from end to end of a chart that is worth telling
SLOPE_SIGMAS = 4.0  # a slope through what a camera's colors differ by reaches three
SLOPE_ROUNDS = 3  # a fit takes a tenth of a slope in for its own
STRAY = 8.0  # dE2000 that no camera, lamp or curve tried sets one patch apart from what all others say of it (6.6)
MOST_STRAY, SUSPECTS = 3, 3  # patches that may be left out; those of which each time one is
BETTER = 0.5  # another way round that leaves less than this share of the difference was the true one


def fit_without_strays(pair: Paired, kind: str | None = None) -> tuple[Paired, ColorFit]:
    """The pair without patches whose references all others contradict, and its fit (`fit_color`)."""
    fit = fit_color(pair.light, pair.lab, pair.neutral, kind)
    for _ in range(MOST_STRAY):
        fewer = _without_stray(pair, fit, kind)
        if fewer is None:
            break
        pair, fit = fewer
    return pair, fit


def _without_stray(pair: Paired, fit: ColorFit, kind: str | None) -> tuple[Paired, ColorFit] | None:
    """Without the patch that stands against all others, None where there is none.

    A wrong gray draws the fit to itself, and others stand out with it: the stray one is that whose leaving out makes
    the rest agree best.
    """
    suspects = [int(at) for at in np.argsort(-fit.de00_held_out)[:SUSPECTS] if fit.de00_held_out[at] > STRAY]
    if not suspects or len(pair.names) <= FEWEST[fit.kind]:
        return None
    tried = []
    for at in suspects:
        rest = only(pair, [*pair.names[:at], *pair.names[at + 1 :]])
        again = fit_color(rest.light, rest.lab, rest.neutral, kind)
        tried.append((float(again.de00_held_out.mean()), at, rest, again))
    _, at, rest, again = min(tried, key=lambda one: one[0])
    said = lab_from_xyz(xyz_of(again.kind, again.coefficients, pair.light[at : at + 1], again.bends))
    away = float(de00(said, pair.lab[at : at + 1])[0])
    if away <= STRAY:
        return None
    reason = (
        f"all others say that it is another color ({away:.0f} dE2000 apart); its line in {pair.title} is wrong, or "
        "something shone or lay on it"
    )
    return replace(rest, left_out={**pair.left_out, pair.names[at]: reason}), again


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


def light_over_chart(pair: Paired) -> tuple[float, str] | None:
    """Share of light that the chart loses from its brightest to its darkest end, and where that lies; None when even.

    Light that falls evenly along the chart is sought together with a plain fit, and believed when it stands out from
    what the fit leaves of single patches.
    """
    if pair.middles is None:
        return None
    away = pair.middles - pair.middles.mean(0)
    along = away / np.abs(away).max()
    design = np.column_stack([along, np.ones(len(along))])
    slope, light = np.zeros(3), pair.light
    for _ in range(SLOPE_ROUNDS):
        fit = fit_color(light, pair.lab, pair.neutral, "matrix")
        brighter = np.log(_lightness(fit.lab)) - np.log(_lightness(pair.lab))
        found = np.linalg.lstsq(design, brighter, rcond=None)[0]
        slope = slope + found
        light = pair.light * np.exp(-(along @ slope[:2]))[:, None]
    left = brighter - design @ found
    sigma = float(np.sqrt(np.sum(left**2) / (len(left) - 3) / np.sum(along**2, axis=0).min()))
    lost = 1 - float(np.exp(-np.ptp(along @ slope[:2])))
    if lost < UNEVEN_LIGHT or np.hypot(*slope[:2]) < SLOPE_SIGMAS * sigma:
        return None
    across, down = slope[:2]
    end = ("left" if across > 0 else "right") if abs(across) > abs(down) else "upper" if down > 0 else "lower"
    return lost, end


def _lightness(lab: Array) -> Array:
    """(N,) luminance, with what the darkest patches add in glare."""
    return np.asarray(xyz_from_lab(lab)[:, 1] + 0.01, dtype=np.float64)


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
