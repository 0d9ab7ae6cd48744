"""I learn the numbers of `stitchbed/page/line_art/merging/patterns.txt` from drawn pages whose areas are known.

By hand: python tests/benches/learn_patterns.py OUT.txt [SHARE]

In: SHARE of the pages (1 when none is said), some twenty minutes of a processor for all. Out: OUT.txt. The pages are
those that `learn_merges.py` learns from; pages of `drawn_pages.patterned`, where scales, bricks, quilts and strands are
one area, and panes and squares, in as fine lines, are areas each; and of `drawn_pages.apart`, where a few strokes go
from side to side of a shape. Borders are weighed one by one first, as `flats`
does; what hangs together then is learned on. What was learned is judged on what it never saw, by `bench_flats.py`: the
seven invented hands, plain laws, and pages of `patterned` and of `apart` from seed 200 on.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from drawn_pages.apart import apart_page
from drawn_pages.boosting import Growing, grown, written
from drawn_pages.looked_at import WAYS
from drawn_pages.patterned import patterned_page
from learn_merges import Sample, drawn_page_of, listed, most_of, sample_of
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Ints
from stitchbed.page.line_art.merging.graph import FREE, joined_graph
from stitchbed.page.line_art.merging.patterns import parties
from stitchbed.page.line_art.merging.rounds import settled_rounds, weighed
from stitchbed.page.line_art.merging.trees import Trees, learned

PATTERNED, LYING_APART = 140, 80
HARM = 6.0  # weight of a party of several areas: an artist joins two by one click, and parts none
PURE, LEAST_MM2 = 0.9, 1.0  # of a party of one area; of an area that counts
USUAL = 30.0  # parties on a page; where there are more, each counts less
HOW = Growing(count=150, deep=4, least=6.0, tamed=6.0)


@dataclass(frozen=True)
class Told:
    """What was seen of parties (n, k); one : (n,) 1 where a party is one area, 0 where it is several. weight : (n,)."""

    names: tuple[str, ...]
    seen: Array
    one: Array
    weight: Array


def main(out: Path, share: float) -> None:
    """Draw, look, join, learn and write."""
    drawn = list(_samples(share))
    out.write_text(written(taught(drawn)), encoding="utf-8")


def _samples(share: float) -> Iterator[Sample]:
    rows = list(listed())
    for law, seed, way in rows[: max(1, round(share * len(rows)))]:
        yield sample_of(drawn_page_of(law, seed), way, seed)
    for seed in range(1, 1 + max(1, round(share * PATTERNED))):
        yield sample_of(patterned_page(seed), WAYS[seed % len(WAYS)], seed)
    for seed in range(1, 1 + max(1, round(share * LYING_APART))):
        yield sample_of(apart_page(seed), WAYS[seed % len(WAYS)], seed)


def taught(samples: list[Sample]) -> Trees:
    """Trees learned on these pages."""
    trees = learned()
    pages = [told for told in (_told(settled_sample(sample, trees)) for sample in samples) if told is not None]
    seen, one, weight = (np.concatenate([getattr(page, part) for page in pages]) for part in ("seen", "one", "weight"))
    return grown(pages[0].names, seen, one, weight, HOW)


def settled_sample(sample: Sample, trees: Trees) -> Sample:
    """The page after borders were weighed one by one."""
    into = settled_rounds(sample.graph, sample.cell, lambda seen: weighed(trees, seen))
    graph = joined_graph(sample.graph, into)
    return Sample(graph, most_of(into, sample.owner, sample.graph.areas[:, FREE], len(graph.areas)), sample.cell)


def _told(sample: Sample) -> Told | None:
    """All parties of a page, each once, that are one area or several; None where there are none."""
    known: set[bytes] = set()
    rows: list[tuple[Array, float, float]] = []
    names: tuple[str, ...] = ()
    for party, which, seen in parties(sample.graph, sample.cell):
        names, columns = tuple(seen), np.stack(list(seen.values()), axis=1)
        for row, n in enumerate(which.tolist()):
            members = np.flatnonzero(party == n)
            if members.tobytes() in known:
                continue
            known.add(members.tobytes())
            owners, share = _owners(sample, members)
            if owners > 1:
                rows.append((columns[row], 0.0, HARM * owners**0.5))
            elif share > PURE:
                rows.append((columns[row], 1.0, len(members) ** 0.5))
    if not rows:
        return None
    weight = np.array([row[2] for row in rows]) * (USUAL / len(rows)) ** 0.5
    return Told(names, np.stack([row[0] for row in rows]), np.array([row[1] for row in rows]), weight)


def _owners(sample: Sample, members: Ints) -> tuple[int, float]:
    """How many true areas lie in these for the most part; the share of the largest in what is known."""
    size = sample.graph.areas[:, FREE] * sample.cell**2
    whole: NDArray[np.float64] = np.bincount(sample.owner, size)
    here: NDArray[np.float64] = np.bincount(sample.owner[members], size[members], len(whole))
    here[0] = 0
    count = int(((here > LEAST_MM2) & (here > 0.5 * whole)).sum())
    return count, float(here.max() / here.sum()) if here.any() else 1.0


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]) if len(sys.argv) > 2 else 1.0)
