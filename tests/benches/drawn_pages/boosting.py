"""I learn the trees that weigh borders, and write them as the package reads them.

In: what was seen of borders, and which of them part nothing. Out: `Trees`; the text of their file.

Each tree is grown level by level: of all questions about one thing seen, at one of BINS bounds, the one is taken that
lowers the loss most (log loss, its slopes and curvatures added up by bins).
Reference: Friedman, Greedy function approximation: a gradient boosting machine, Annals of Statistics 29(5):1189-1232,
2001.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Ints
from stitchbed.imaging.compiled import compiled
from stitchbed.page.line_art.merging.trees import Trees

HEAD = (
    "# names of what is looked at; log odds of nothing seen; then of each tree: what it asks about by level, the "
    "bounds from which on the answer is yes, the log odds it adds at its ends"
)
BINS = 48


@dataclass(frozen=True)
class Growing:
    """count : trees. deep : questions on the way to an end. rate : share of what a tree would like to say that it says.

    least : curvature at an end, below which nothing is believed; tamed : curvature added to each.
    """

    count: int = 200
    deep: int = 5
    rate: float = 0.15
    least: float = 4.0
    tamed: float = 2.0


def grown(names: tuple[str, ...], seen: Array, same: Array, weight: Array, how: Growing | None = None) -> Trees:
    """names : (k,) of what is seen (n, k). same : (n,) 1 where a border parts nothing. weight : (n,) of each."""
    how = how or Growing()
    edges = np.quantile(seen, np.linspace(0, 1, BINS + 1)[1:-1], axis=0)  # (BINS - 1, k)
    bins = np.stack([np.searchsorted(edges[:, k], seen[:, k], side="left") for k in range(seen.shape[1])], axis=1)
    bins = np.asarray(bins, np.uint8)
    share = float(np.clip(np.average(same, weights=weight), 1e-3, 1 - 1e-3))
    odds = np.full(len(seen), np.log(share / (1 - share)))
    trees = [_tree(bins, edges, odds, same, weight, how) for _ in range(how.count)]  # each changes the odds
    about, bounds, says = (np.stack(part) for part in zip(*trees, strict=True))
    return Trees(names, about, bounds, says, float(np.log(share / (1 - share))))


def _tree(
    bins: NDArray[np.uint8], edges: Array, odds: Array, same: Array, weight: Array, how: Growing
) -> tuple[Ints, Array, Array]:
    """What one tree asks about, its bounds and what it says; `odds` are changed by it."""
    chance = 1 / (1 + np.exp(-odds))
    slope, curve = weight * (same - chance), weight * chance * (1 - chance)
    questions = 2**how.deep - 1
    about, bounds = np.zeros(questions, np.int64), np.full(questions, np.inf)
    at = np.zeros(len(odds), np.int64)
    for level in range(how.deep):
        first = 2**level - 1
        sums = np.zeros((2**level, bins.shape[1], BINS, 2))
        _by_bins(bins, at - first, slope, curve, sums)
        left = sums.cumsum(axis=2)[:, :, :-1]
        right = sums.sum(axis=2, keepdims=True) - left
        gain = sum(side[..., 0] ** 2 / (side[..., 1] + how.tamed) for side in (left, right))
        gain = np.where((left[..., 1] > how.least) & (right[..., 1] > how.least), gain, 0)
        cut = np.full(2**level, BINS, np.int64)
        for node in range(2**level):
            k, bound = divmod(int(gain[node].argmax()), BINS - 1)
            if gain[node, k, bound] > 0:
                about[first + node], bounds[first + node], cut[node] = k, edges[bound, k], bound
        at = 2 * at + 1 + (bins[np.arange(len(at)), about[at]] > cut[at - first])
    end = at - questions
    says = how.rate * np.bincount(end, slope, questions + 1) / (np.bincount(end, curve, questions + 1) + how.tamed)
    odds += says[end]
    return about, bounds, says


@compiled
def _by_bins(bins: NDArray[np.uint8], node: Ints, slope: Array, curve: Array, sums: Array) -> None:
    """Add slopes and curvatures to `sums` (nodes, k, BINS, 2)."""
    for n in range(bins.shape[0]):
        for k in range(bins.shape[1]):
            sums[node[n], k, bins[n, k], 0] += slope[n]
            sums[node[n], k, bins[n, k], 1] += curve[n]


def written(trees: Trees) -> str:
    """The file's text, read back by `trees.learned`."""
    lines = [HEAD, " ".join(trees.names), f"{trees.constant:.4g}"]
    for about, bounds, says in zip(trees.about, trees.bounds, trees.says, strict=True):
        lines.append(" ".join(trees.names[k] for k in about.tolist()))
        lines += [" ".join(f"{value:.4g}" for value in row) for row in (bounds, says)]
    return "\n".join([*lines, ""])
