"""I weigh a small lone mark by its own look and by what stands round it, all at once.

In: a table of finds that were weighed one by one. Out: the log of the odds that each is dust.

One by one, dust and dots of a pixel or two look alike; a dot has company that is most likely drawn and of its size, a
grain has other grains. So the odds of each mark by itself are put on a map, and a small network of 16 units weighs what
it sees of the mark together with the map round it. There are two sets of numbers, `lone_marks_300.txt` and
`lone_marks_600.txt`: the darkness of a thin stroke, and that a bent one is as black as a straight one, show at 600 dpi
only. They were learned from marks and grains of known kind on own pages of 17 kinds and printed ones, with dust of four
laws (`tests/benches/learn_lone_marks.py`).

Reference: Rumelhart, Hinton & Williams, Learning representations by back-propagating errors, Nature 323:533-536, 1986.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files

import cv2
import numpy as np
from scipy.spatial import cKDTree

from stitchbed.core.arrays import Array, Mask
from stitchbed.page.dust.candidates import Scale
from stitchbed.page.dust.evidence import COARSE_DPI, FINE_DPI, PEN_MM, fineness, lone, odds, seen_alone
from stitchbed.page.dust.finds import Finds
from stitchbed.page.dust.spread import SPREAD

CELL_MM, NEAR_MM, FAR_MM = 0.5, 2.0, 5.0  # of the map; round a mark
ALIKE = 0.35  # of a size's log: marks of the same or the next step are alike
STEPS, LEAST_MM = 10, 0.04  # of sizes; the last takes all that is larger
SUREST = 8.0  # log odds; one mark by itself never says more
SURER = 1.0  # log odds; at 600 dpi other kinds of page than those learned from lose fewer marks than the odds say
BOUND = 4.0  # spreads by which a number may be off its mean; farther, nothing was learned
# of the sizes that are looked at; beyond, they say no more
BOUNDS = {"long": (-3.0, 30.0), "short": (-3.0, 15.0), "compact": (0.0, 2.0), "tail": (0.0, 3.0), "uneven": (0.0, 2.0)}
# a field of dots, measured on star fields, and on dust, at 300 dpi: a mark in it is a dot of it where gray fits it no
# better than ink, by less than FIELD_GAIN, and it is as large and as wide as the finest dot shows; so many that are
# most likely ink lie as near, and so many small ones in the field
FIELD_GAIN, FIELD_SIZE, FIELD_WIDTH = 2.0, 0.79, 0.46  # the last two of the pen's finest dot
FIELD_NEAR_MM, FIELD_NEAR, FIELD_MM, FIELD_SMALL, SMALL = 10.0, 4, 40.0, 15, 1.7


@dataclass(frozen=True)
class Network:
    """names : (k,) of what is looked at. mean, sd : (k,) of it. into : (k, h) weights; offset, out : (h,); constant."""

    names: tuple[str, ...]
    mean: Array
    sd: Array
    into: Array
    offset: Array
    out: Array
    constant: float


def odds_among(finds: Finds, scale: Scale, smallest_dot: float) -> Array:
    """(n,) log of the odds that a find is dust; means something for small lone marks only.

    smallest_dot : mm, the finest dot of the pen. Between the two resolutions that were learned, odds are between both.
    """
    alone = odds(finds, scale, smallest_dot)
    if not len(alone):
        return alone
    seen, fine = seen_among(finds, alone, scale, smallest_dot), fineness(scale)
    shares = ((COARSE_DPI, 1 - fine, 0.0), (FINE_DPI, fine, SURER))
    return np.asarray(sum(share * (asked(learned(dpi), seen) + more) for dpi, share, more in shares if share > 0))


def in_field(finds: Finds, odds: Array, scale: Scale, smallest_dot: float) -> Mask:
    """(n,) small lone marks that lie in a field of drawn dots and may be one: the smallest stars among stars.

    odds : (n,) as `odds_among` has them. Only at about COARSE_DPI, where the smallest dot is a pixel and no more shows.
    """
    told = np.zeros(len(odds), bool)
    if fineness(scale) > 0.5 or not len(odds):
        return told
    inky = lone(finds, scale) & (odds < 0)
    small = inky & (finds.size < SMALL * smallest_dot)
    fits = lone(finds, scale) & (finds.gain < FIELD_GAIN) & (finds.size > FIELD_SIZE * smallest_dot)
    which = np.flatnonzero(fits & (finds.width > FIELD_WIDTH * smallest_dot) & ~inky)
    places = np.stack([finds.row, finds.col], axis=1).astype(np.float64) / scale.px_per_mm
    told[which] = True
    for kind, within, enough in ((inky, FIELD_NEAR_MM, FIELD_NEAR), (small, FIELD_MM, FIELD_SMALL)):
        if not kind.any():
            return np.zeros(len(odds), bool)
        near = cKDTree(places[kind]).query_ball_point(places[which], within, return_length=True)
        told[which] &= near >= enough
    return told


def asked(network: Network, seen: dict[str, Array]) -> Array:
    """(n,) what the network says of what is seen."""
    columns = np.stack([seen[name] for name in network.names], axis=1)
    given = np.clip((columns - network.mean) / network.sd, -BOUND, BOUND)
    return np.asarray(np.tanh(given @ network.into + network.offset) @ network.out + network.constant)


def learned(dpi: float) -> Network:
    """The network as it was learned at COARSE_DPI or FINE_DPI: a row of names, of means and of spreads, then one per
    unit, its weights last."""
    text = files("stitchbed.page.dust").joinpath(f"lone_marks_{dpi:.0f}.txt").read_text(encoding="utf-8")
    lines = [line.split() for line in text.splitlines() if line and not line.startswith("#")]
    mean, sd, *units, last = (np.array(line, np.float64) for line in lines[1:])
    weights = np.array(units)
    return Network(tuple(lines[0]), mean, sd, weights[:, :-2].T, weights[:, -2], weights[:, -1], float(last[0]))


def seen_among(finds: Finds, alone: Array, scale: Scale, smallest_dot: float) -> dict[str, Array]:
    """(n,) each, what the network may look at, by name. alone : (n,) log odds of each mark by itself."""
    pen = PEN_MM / max(smallest_dot, 0.01)
    spread = dict(zip(SPREAD, np.moveaxis(finds.spread.astype(np.float64), 1, 0), strict=True))
    for name in ("long", "short"):
        spread[name] = 1000 * pen**2 * spread[name]
    spread |= {name: np.clip(spread[name], *bounds) for name, bounds in BOUNDS.items()}
    own = {
        "size": np.log(np.maximum(finds.size, 0.02) * pen / 0.1),
        "shape": finds.shape,
        "dark": finds.dark,
        "alone": finds.alone,
        "marked": np.log(np.clip(1 - finds.bare, 0.002, 1)),
    }
    own = {name: np.asarray(value, np.float64) for name, value in own.items()}
    return seen_alone(finds, scale, smallest_dot) | own | spread | _round(finds, alone, scale)


def _round(finds: Finds, alone: Array, scale: Scale) -> dict[str, Array]:
    """(n,) each, log of 1 + how many marks within NEAR_MM and FAR_MM are most likely ink, dust, ink as large."""
    chance = 1 / (1 + np.exp(-np.clip(alone, -SUREST, SUREST)))
    step = np.log(np.maximum(finds.size, LEAST_MM) / LEAST_MM) / ALIKE
    steps = np.clip(step.astype(np.int64), 0, STEPS - 1)
    rows, cols = ((at / scale.px_per_mm / CELL_MM).astype(np.int64) for at in (finds.row, finds.col))
    rows, cols = rows - rows.min(), cols - cols.min()
    standing = lone(finds, scale)
    ink, dust = np.where(standing, 1 - chance, 0), np.where(standing, chance, 0)
    maps = np.zeros((STEPS + 1, int(rows.max()) + 1, int(cols.max()) + 1), np.float32)
    np.add.at(maps, (steps, rows, cols), ink.astype(np.float32))
    np.add.at(maps, (STEPS, rows, cols), dust.astype(np.float32))
    found: dict[str, Array] = {}
    for name, reach in (("near", NEAR_MM), ("far", FAR_MM)):
        sums = [cv2.filter2D(m, cv2.CV_32F, _disc(reach), borderType=cv2.BORDER_CONSTANT)[rows, cols] for m in maps]
        by_size = np.array([np.zeros_like(sums[0]), *sums[:STEPS], np.zeros_like(sums[0])])
        each = np.arange(len(rows))
        alike = sum(by_size[steps + n, each] for n in range(3))
        found |= {f"ink_{name}": by_size.sum(axis=0) - ink, f"dust_{name}": sums[STEPS] - dust}
        found[f"alike_{name}"] = alike - ink
    return {name: np.log1p(np.maximum(value, 0)).astype(np.float64) for name, value in found.items()}


def _disc(reach: float) -> Array:
    """Cells of the map whose middles lie within `reach` mm."""
    cells = np.arange(-int(reach / CELL_MM), int(reach / CELL_MM) + 1) * CELL_MM
    return np.asarray(np.hypot(cells[:, None], cells) <= reach, np.float32)
