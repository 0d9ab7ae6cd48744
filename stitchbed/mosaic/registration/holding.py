"""I hold what too few good ties hold: by ties where the sheet lifts, weighed less, and last by the survey's layout.

In: places, ties, which of them lie where a sheet lifts. Out: ties whose information says how little they are worth,
ties made from the layout for pieces that hang by nothing measured, and warnings that name what hangs by little.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Mask
from stitchbed.core.memory import late
from stitchbed.core.quantities import two_digits
from stitchbed.mosaic.registration.placement import Placement, from_sheet, outline, to_sheet
from stitchbed.mosaic.registration.tie_points import Ties, gathered

nx = late("networkx")

UNHELD_MM = 1.0  # a piece that may lie farther off than this is named; twice that is a piece at the wrong place


@dataclass(frozen=True)
class HoldSettings:
    """least_ties: an overlap with fewer flat ties keeps its lifted ones; twelve settle turn and place well.
    least_join: an overlap with fewer ties of any kind does not hold a piece.
    lifted_mm: by how much drawing is shifted where a sheet lifts (.25 mm at the edge of a sheet over a frame, less
    inward). alike: the lifted ties of an overlap are shifted alike, so all together count as this many.
    layout_mm: how far the survey's layout may be off between neighbors (half a px of a reduced view, axes of the bed).
    along_mm: the same along lines that all run one way: beside any other tie it counts for nothing.
    """

    least_ties: int = 12
    least_join: int = 6
    lifted_mm: float = 0.1
    alike: float = 3.0
    layout_mm: float = 0.5
    along_mm: float = 2.0


def lifted_weighed_less(ties: Ties, lifted: Mask, px_per_mm: Array, settings: HoldSettings) -> Ties:
    """Ties with the variance of lifted drawing added where `lifted` (N,); px_per_mm : (T,)."""
    if not lifted.any():
        return ties
    pair = ties.a * len(px_per_mm) + ties.b
    _, which, count = np.unique(pair[lifted], return_inverse=True, return_counts=True)
    variance = (settings.lifted_mm * px_per_mm[ties.a[lifted]]) ** 2 * np.maximum(1, count[which] / settings.alike)
    info = ties.info.copy()
    info[lifted] = np.linalg.inv(np.linalg.inv(info[lifted]) + variance[:, None, None] * np.eye(2))
    return replace(ties, info=info)


def counted(ties: Ties) -> dict[tuple[int, int], int]:
    """Number of ties per pair."""
    pairs, counts = np.unique(np.stack([ties.a, ties.b], 1).reshape(-1, 2), axis=0, return_counts=True)
    return {(int(a), int(b)): int(count) for (a, b), count in zip(pairs, counts, strict=True)}


def parts(tiles: int, counts: Mapping[tuple[int, int], int], least: int) -> list[set[int]]:
    """Groups of pieces (indices) held together by overlaps of at least `least` ties; mostly one."""
    joined = nx.Graph()
    joined.add_nodes_from(range(tiles))
    joined.add_edges_from(pair for pair, count in counts.items() if count >= least)
    return list(nx.connected_components(joined))


def part_of(groups: Sequence[set[int]]) -> dict[int, int]:
    """Number of its group per piece."""
    return {i: number for number, group in enumerate(groups) for i in group}


def gaps(places: Sequence[Placement], groups: Sequence[set[int]]) -> list[tuple[int, int]]:
    """Pairs (i, j), i < j, of near pieces by which `groups` can be held to each other."""
    middles = np.array([outline(place).mean(axis=0) for place in places])
    nearest = nx.Graph()
    for one, two in combinations(range(len(groups)), 2):
        pairs = [(i, j) for i in sorted(groups[one]) for j in sorted(groups[two])]
        far = [float(np.hypot(*(middles[i] - middles[j]))) for i, j in pairs]
        nearest.add_edge(one, two, far=min(far), pair=tuple(sorted(pairs[int(np.argmin(far))])))
    return sorted(data["pair"] for _, _, data in nx.minimum_spanning_edges(nearest, weight="far"))


def hardly_tied(
    checked: Sequence[tuple[int, int]], counts: Mapping[tuple[int, int], int], least: int
) -> list[tuple[int, int]]:
    """Overlaps with too few ties to settle a place, of those of pieces that loops of links check. The layout, which
    these links have made, says more there than a chain of such overlaps does, along which what their few ties are off
    by would add up; where no loop checks it, it may be off by far more than ties are."""
    return [pair for pair in checked if counts.get(pair, 0) < least]


def by_layout(
    places: Sequence[Placement], pairs: Sequence[tuple[int, int]], px_per_mm: Array, settings: HoldSettings
) -> Ties:
    """Four ties per pair, at the corners of what both see, where the layout puts them; `places` are the layout's."""
    rows = []
    for i, j in pairs:
        info = np.eye(2) / (settings.layout_mm * float(px_per_mm[i])) ** 2
        for at in from_sheet(places[i], _corners_of_both(places[i], places[j])):
            there = from_sheet(places[j], to_sheet(places[i], at[None]))[0]
            rows.append((i, j, at, there, info, 0.0))
    return gathered(rows)


def _corners_of_both(one: Placement, two: Placement) -> Array:
    """(4, 2) px of the sheet, the corners of the box round what both see; where that is nothing, of one round the
    middle between them."""
    outlines = [outline(place).astype(np.float32) for place in (one, two)]
    area, shared = cv2.intersectConvexConvex(outlines[0], outlines[1])
    if area > 0:
        return np.asarray(cv2.boxPoints(cv2.minAreaRect(shared)), np.float64)
    arms = min(one.size) / 4 * np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])
    return np.asarray((outlines[0].mean(axis=0) + outlines[1].mean(axis=0)) / 2 + arms, np.float64)


def held_words(
    names: Sequence[str], ties: tuple[Ties, Ties], loose: Sequence[int], off_mm: Array, settings: HoldSettings
) -> list[str]:
    """Warnings of pieces that hang by little: by the survey's layout only, by edges that lift, or by what is drawn
    along one line, which does not tell how far along it they lie. ties : where sheets lie flat, and where they lift."""
    words = []
    if loose:
        listed, most = _with_most(names, loose, off_mm, 2 * settings.layout_mm)
        words.append(
            f"few or no measurable places in the overlaps of {listed}: placed by links only, which may be off by "
            f"{most} mm. More overlap, with drawing in it that lies flat, would mend it"
        )
    flat, lifts = (np.bincount(np.concatenate([one.a, one.b]), minlength=len(names)) for one in ties)
    lifted = [int(i) for i in np.flatnonzero((flat < settings.least_ties) & (lifts > 0)) if i not in set(loose)]
    if lifted:
        listed, most = _with_most(names, lifted, off_mm, 2 * settings.lifted_mm)
        words.append(
            f"{listed}: lies flat nowhere together with a neighbor and was placed by edges that lift, to "
            f"about {most} mm. More overlap would mend it"
        )
    rest = [int(i) for i in np.flatnonzero(off_mm > UNHELD_MM) if i not in {*loose, *lifted}]
    if rest:
        listed, most = _with_most(names, rest, off_mm, 0.0)
        words.append(
            f"{listed}: what its overlaps show does not hold it firmly, as lines that run one way only; it may be off "
            f"by {most} mm. More overlap would mend it"
        )
    return words


def _with_most(names: Sequence[str], which: Sequence[int], off_mm: Array, least: float) -> tuple[str, str]:
    """Names of pieces, and mm that the worst of them may be off, `least` at least, rounded up to two digits."""
    most = max(least, *(float(off_mm[i]) for i in which))
    digits = 10.0 ** (np.floor(np.log10(most)) - 1)
    return ", ".join(names[i] for i in which), two_digits(float(np.ceil(most / digits - 1e-9) * digits))
