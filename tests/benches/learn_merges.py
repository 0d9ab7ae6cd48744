"""I learn numbers such as those in `stitchbed/page/line_art/merging/merges.txt` from drawn pages whose areas are known.

By hand: python tests/benches/learn_merges.py OUT.txt [PAGES]

In: PAGES of each invented hand (6 when none is said), half a minute of a processor each. Out: OUT.txt, and before it is
written, for each hand: how many areas are found (nine tenths in common with one found area, both ways), and how many
are found too many, by trees learned on the other hands and by those that ship.

Rounds of joining are gone through by the truth first and by what was learned then; each round's borders are learned on.
A border whose loss joins two areas of some size counts HARM times: an artist joins two areas by one click, and parts
none.

The numbers that ship came of these makers while they were trial scripts, on 41 pages of the same seven hands drawn from
other random numbers, by these rounds; so running it again gives other numbers, of the same quality only. By trees
learned on five hands, on the other two (1,025 areas): found .782, too many .445 -> .844, .527 before what `flats` does
after; on four of those pages with it, found .763, too many .514 -> .799, .402. As shipped, on page 0 of each hand here
(668 areas): .747, .446 -> .814, .266.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from drawn_pages.boosting import grown, written
from drawn_pages.hands import HANDS
from drawn_pages.pages import CELL, LINE, DrawnPage, drawn_page
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Ints, Labels
from stitchbed.page.line_art.merging.graph import FREE, Graph, graph_of, joined_graph
from stitchbed.page.line_art.merging.rounds import settled_rounds
from stitchbed.page.line_art.merging.trees import Trees, asked, learned
from stitchbed.page.line_art.outlines import outlines_of
from stitchbed.page.line_art.regions import find_regions
from stitchbed.page.line_art.spread import spread_under

PAGES = 6
GAP_MM, BALL = 1.5, 3  # as `flats` closes gaps; cells
MOST = 150_000  # borders learned on
HARM, LEAST_MM2 = 3.0, 1.0  # weight of a border between the larger parts of two areas, both of that size at least
IN_COMMON = 0.9


@dataclass(frozen=True)
class Sample:
    """A page in areas that every stroke parts. truth : (h, w). labels : (h, w) from 0. owner : (n,) true area of each,
    0 nobody's."""

    free: NDArray[np.uint8]
    truth: Labels
    labels: Labels
    graph: Graph
    owner: Ints


@dataclass
class Book:
    """What was seen of borders, and whether they part nothing."""

    names: tuple[str, ...] = ()
    seen: list[Array] = field(default_factory=list)
    same: list[Array] = field(default_factory=list)
    weight: list[Array] = field(default_factory=list)

    def write(self, sample: Sample, seen: dict[str, Array], into: Ints) -> NDArray[np.int8]:
        """Of each border, 1 where it parts nothing, 0 where it does, -1 where nobody says; those that are known are
        kept."""
        size = np.bincount(into, sample.graph.areas[:, FREE])
        owner = _most(into, sample.owner, sample.graph.areas[:, FREE])
        one, two = joined_graph(sample.graph, into).pairs.T
        known = (owner[one] > 0) & (owner[two] > 0)
        main = (size > 0.5 * np.bincount(owner, size)[owner]) & (size * CELL**2 > LEAST_MM2)
        lost = (owner[one] != owner[two]) & main[one] & main[two]
        self.names = tuple(seen)
        self.seen.append(np.stack(list(seen.values()), axis=1)[known])
        self.same.append((owner[one] == owner[two])[known].astype(np.float64))
        self.weight.append(np.where(lost, HARM, 1.0)[known])
        return np.where(known, owner[one] == owner[two], -1).astype(np.int8)

    def learned(self, rng: np.random.Generator) -> Trees:
        seen, same, weight = (np.concatenate(one) for one in (self.seen, self.same, self.weight))
        some = rng.permutation(len(seen))[:MOST]
        return grown(self.names, seen[some], same[some], weight[some])


def main(out: Path, pages: int) -> None:
    """Draw, look, learn, print and write."""
    samples = {name: [sample_of(drawn_page(name, seed)) for seed in range(pages)] for name in HANDS}
    for name, own in samples.items():
        others = [one for other, some in samples.items() if other != name for one in some]
        for word, trees in (("the other hands", taught(others)), ("what ships", learned())):
            found, asked_for, extra = np.sum([judged(sample, trees) for sample in own], axis=0)
            print(f"{name}, by {word}: {found} of {asked_for} found, {extra} too many", flush=True)
    out.write_text(written(taught([one for some in samples.values() for one in some])), encoding="utf-8")


def sample_of(page: DrawnPage) -> Sample:
    """A page cut at every stroke, as `flats` does."""
    line = (page.alpha >= LINE).astype(np.uint8)
    drawn = outlines_of(line, GAP_MM, CELL)
    labels = find_regions(1 - drawn.parting, BALL)
    spread_under(labels)
    labels -= 1
    graph = graph_of(labels, 1 - line, drawn, CELL)
    free = line == 0
    owner = _most(labels[free], page.truth[free], np.ones(int(free.sum())), len(graph.areas))
    return Sample(1 - line, page.truth, labels, graph, owner)


def taught(samples: list[Sample]) -> Trees:
    """Trees learned on these pages: by the truth, and once more by what was learned then."""
    rng, book = np.random.default_rng(0), Book()
    for sample in samples:
        _guided(sample, book, rng)
    trees = book.learned(rng)
    for sample in samples:
        settled_rounds(
            sample.graph, CELL, lambda seen: asked(trees, seen), lambda s, i, of=sample: book.write(of, s, i)
        )
    return book.learned(rng)


def judged(sample: Sample, trees: Trees) -> tuple[int, int, int]:
    """Areas found, asked for, found too many."""
    into = settled_rounds(sample.graph, CELL, lambda seen: asked(trees, seen))
    label, known = into[sample.labels], (sample.free > 0) & (sample.truth > 0)
    table = np.zeros((int(sample.truth.max()) + 1, int(into.max()) + 1), np.int64)
    np.add.at(table, (sample.truth[known], label[known]), 1)
    whole = np.bincount(label[sample.free > 0], minlength=table.shape[1])
    area, size, best = table.sum(axis=1), table.sum(axis=0), table.argmax(axis=1)
    there = np.flatnonzero(area)
    most = table[there, best[there]]
    found = (most >= IN_COMMON * area[there]) & (most >= IN_COMMON * size[best[there]])
    ours = np.flatnonzero((size > 0.5 * whole) & (size > 0))
    return int(found.sum()), len(there), len(np.setdiff1d(ours, best[there]))


def _guided(sample: Sample, book: Book, rng: np.random.Generator) -> None:
    """Join what is one area, three borders in ten at a time."""
    told: list[NDArray[np.int8]] = []

    def weigh(seen: dict[str, Array]) -> Array:
        go = (told[-1] == 1) & (rng.random(len(told[-1])) < 0.3)
        return np.where(go, rng.uniform(3, 9, len(go)), -9.0)

    settled_rounds(sample.graph, CELL, weigh, lambda seen, into: told.append(book.write(sample, seen, into)))


def _most(group: Ints, owner: Ints, weight: Array, count: int | None = None) -> Ints:
    """(n,) the owner most of the weight of each group has."""
    span = int(owner.max()) + 1
    code, place = np.unique(group.astype(np.int64) * span + owner, return_inverse=True)
    order = np.argsort(np.bincount(place, weight), kind="stable")
    found = np.zeros(count or int(group.max()) + 1, np.int64)
    found[(code // span)[order]] = (code % span)[order]
    return found


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else PAGES)
