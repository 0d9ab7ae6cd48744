"""I find the light of each piece by what all pairs show of it, and pieces whose light no neighbor confirms.

In: comparisons of pairs. Out: indices, logs of light.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.memory import late
from stitchbed.inspection.overlaps import Comparison

nx = late("networkx")

DISCORD, DISCORD_OVER = 0.035, 2.5  # log of light; times what most pairs of the set show
SUSPECT_SHARE = 0.6  # of a piece's pairs that disagree
SOLVE_ROUNDS = 12  # of weights for the least sum of absolute differences
SUSPECT_WEIGHT = 1e-3  # of pairs with a suspect: they place the suspect, and do not pull at the others
IN_LIFT, LEAST_TRUST = 2.0, 0.1  # trust lost by what a pair shares in lifts, which then seem to be its light


def suspects(comparisons: Sequence[Comparison]) -> frozenset[int]:
    """Pieces that disagree with most of their neighbors, and without which the rest agree.

    The piece most of whose pairs disagree is taken out first; what is left is judged again.
    """
    pairs = [item for item in comparisons if item.log_gain is not None and item.paper]
    if len(pairs) < 3:
        return frozenset()
    bound = max(DISCORD, DISCORD_OVER * float(np.median([item.discord for item in pairs])))
    found: set[int] = set()
    while True:
        left = [item for item in pairs if not {item.a, item.b} & found]
        shares = {index: _bad_share(left, index, bound) for item in left for index in (item.a, item.b)}
        worst = max(shares, key=lambda index: shares[index], default=None)
        if worst is None or shares[worst][0] < SUSPECT_SHARE:
            return frozenset(found)
        found.add(worst)


def drifts(comparisons: Sequence[Comparison], index: int) -> bool:
    """True where the light of a piece differs over places, and not only from each to the next, in most of its pairs."""
    own = [item.drift for item in comparisons if index in (item.a, item.b) and item.discord > 0]
    return bool(own) and float(np.median(own)) > DISCORD


def _bad_share(pairs: Sequence[Comparison], index: int, bound: float) -> tuple[float, int, float]:
    own = [item.discord for item in pairs if index in (item.a, item.b)]
    bad = [discord for discord in own if discord > bound]
    return len(bad) / len(own), len(bad), sum(bad)


def gains(count: int, comparisons: Sequence[Comparison]) -> Array:
    """(count, 3) log gain of each tile over the middle one: the least sum of absolute differences over all comparisons,
    so that one odd piece does not move the others. Tiles that nothing is known of have 0.

    Reference: iterated weights for absolute differences, Holland & Welsch (1977), doi 10.1080/03610927708827533.
    """
    used = [item for item in comparisons if item.log_gain is not None]
    if not used:
        return np.zeros((count, 3))
    rows = np.zeros((len(used), count))
    rows[np.arange(len(used)), [item.a for item in used]] = 1.0
    rows[np.arange(len(used)), [item.b for item in used]] = -1.0
    values = np.array([item.log_gain for item in used])
    odd = suspects(comparisons)
    trust = np.maximum(1 - IN_LIFT * np.array([item.dark for item in used]), LEAST_TRUST)
    trust[[bool({item.a, item.b} & odd) for item in used]] = SUSPECT_WEIGHT
    weights = trust
    for _ in range(SOLVE_ROUNDS):
        root = np.sqrt(weights)[:, None]
        solved = np.linalg.lstsq(root * rows, root * values, rcond=None)[0]
        rest = np.abs(rows @ solved - values).max(1)
        weights = trust / np.maximum(rest, 1e-3)
    for part in compared_parts(count, used):
        solved[part] -= np.median(solved[part], axis=0)
    return np.asarray(solved)


def compared_parts(count: int, comparisons: Sequence[Comparison]) -> list[list[int]]:
    """Tiles whose light is known beside each other, the largest part first; a tile alone is one of its own."""
    told = nx.Graph()
    told.add_nodes_from(range(count))
    told.add_edges_from((item.a, item.b) for item in comparisons if item.log_gain is not None)
    return sorted((sorted(part) for part in nx.connected_components(told)), key=lambda part: (-len(part), part))
