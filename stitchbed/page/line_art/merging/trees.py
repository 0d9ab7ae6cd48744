"""I weigh what is seen of a border, or of many, by small trees of questions, each learned on what those before left.

In: what is seen, by name; the numbers of `merges.txt`, or of `patterns.txt`. Out: the log of the odds that the border
parts nothing, that the cells are one area.

Reference: Friedman, Greedy function approximation: a gradient boosting machine, Annals of Statistics 29(5):1189-1232,
2001.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files

import numpy as np

from stitchbed.core.arrays import Array, Ints
from stitchbed.imaging.compiled import compiled

MERGES, PATTERNS = "merges.txt", "patterns.txt"


@dataclass(frozen=True)
class Trees:
    """names : (k,) of what is looked at. about, bounds : (t, q) what each question is about, and from where on the
    answer is yes; the answers to question n lead to 2 n + 1 (no) and 2 n + 2. says : (t, q + 1) log odds at the ends.
    constant : of nothing seen.
    """

    names: tuple[str, ...]
    about: Ints
    bounds: Array
    says: Array
    constant: float


def asked(trees: Trees, seen: dict[str, Array]) -> Array:
    """(n,) log odds that the trees tell from what is seen, (n,) each."""
    columns = np.stack([seen[name] for name in trees.names], axis=1)
    odds = np.full(len(columns), trees.constant)
    _ask(columns, trees.about, trees.bounds, trees.says, odds)
    return odds


@compiled
def _ask(columns: Array, about: Ints, bounds: Array, says: Array, odds: Array) -> None:
    """Add to `odds` (n,) what each tree says of each row of `columns` (n, k)."""
    questions = about.shape[1]
    for n in range(columns.shape[0]):
        for tree in range(about.shape[0]):
            at = 0
            while at < questions:
                at = 2 * at + 1 + (columns[n, about[tree, at]] > bounds[tree, at])
            odds[n] += says[tree, at - questions]


def learned(name: str = MERGES) -> Trees:
    """The trees of a file: names, the constant; then of each tree what it asks about, its bounds, what it says."""
    text = files("stitchbed.page.line_art.merging").joinpath(name).read_text(encoding="utf-8")
    names, constant, *rows = [line.split() for line in text.splitlines() if line and not line.startswith("#")]
    about, bounds, says = (rows[part::3] for part in range(3))
    return Trees(
        tuple(names),
        np.array([[names.index(name) for name in row] for row in about], np.int64),
        np.array(bounds, np.float64),
        np.array(says, np.float64),
        float(constant[0]),
    )
