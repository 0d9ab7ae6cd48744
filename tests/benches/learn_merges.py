"""I learn the numbers of `stitchbed/page/line_art/merging/merges.txt` from drawn pages whose areas are known.

By hand: python tests/benches/learn_merges.py OUT.txt [SHARE]

In: SHARE of the pages (1 when none is said), some ten minutes of a processor for all. Out: OUT.txt. The pages are those
of `drawn_pages.toned`: scenes, charts, and what the plain laws draw with tone in it, each by a hand of its own and
looked at in one of five ways; plots, nets and plates in frames; and one page of each plain law. What was learned is
judged on what it never saw, by `bench_flats.py`: the seven invented hands, the plain laws from seed 2 on, and pages of
`toned` from seed 100 on.

Rounds of joining are gone through by the truth first and by what was learned then; each round's borders are learned on,
no page more than its share. A border whose loss joins two areas of some size counts HARM times: an artist joins two
areas by one click, and parts none.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from drawn_pages.boosting import grown, written
from drawn_pages.frames import framed_page
from drawn_pages.looked_at import WAYS, WORN, looked_at
from drawn_pages.pages import DPI, DrawnPage
from drawn_pages.plain import LAWS as PLAIN
from drawn_pages.plain import plain_page
from drawn_pages.plots import LAWS as PLOTS
from drawn_pages.plots import plotted_page
from drawn_pages.toned import LAWS, toned_page
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Ints
from stitchbed.page.line_art.merging.graph import FREE, Graph, graph_of, joined_graph
from stitchbed.page.line_art.merging.rounds import settled_rounds, weighed
from stitchbed.page.line_art.merging.trees import Trees
from stitchbed.page.line_art.outlines import outlines_of
from stitchbed.page.line_art.regions import find_regions
from stitchbed.page.line_art.spread import spread_under

SEEDS = {"scene": 45, "close": 19, "chart": 14}  # pages of a law, from seed 1 on
OTHERS = 2
PLOTTED = {"plots": 28, "nets": 16}
FRAMED = 40
GAP_MM, BALL = 1.5, 3  # as `flats` closes gaps; cells
MOST, A_PAGE = 450_000, 5000  # borders learned on; of one page
HARM, LEAST_MM2 = 20.0, 1.0  # weight of a border between the larger parts of two areas, both of that size at least


@dataclass(frozen=True)
class Sample:
    """A page in areas that every stroke parts. owner : (n,) true area of each, 0 nobody's. cell : mm."""

    graph: Graph
    owner: Ints
    cell: float


@dataclass
class Book:
    """What was seen of borders, and whether they part nothing; by page."""

    names: tuple[str, ...] = ()
    seen: dict[int, list[Array]] = field(default_factory=dict)
    same: dict[int, list[Array]] = field(default_factory=dict)
    weight: dict[int, list[Array]] = field(default_factory=dict)

    def write(self, page: int, sample: Sample, seen: dict[str, Array], into: Ints) -> NDArray[np.int8]:
        """Of each border, 1 where it parts nothing, 0 where it does, -1 where nobody says; those that are known are
        kept."""
        size = np.bincount(into, sample.graph.areas[:, FREE])
        owner = most_of(into, sample.owner, sample.graph.areas[:, FREE])
        one, two = joined_graph(sample.graph, into).pairs.T
        known, same = (owner[one] > 0) & (owner[two] > 0), owner[one] == owner[two]
        main = (size > 0.5 * np.bincount(owner, size)[owner]) & (size * sample.cell**2 > LEAST_MM2)
        kept = known
        self.names = tuple(seen)
        columns = np.stack(list(seen.values()), axis=1).astype(np.float32)
        self.seen.setdefault(page, []).append(columns[kept])
        self.same.setdefault(page, []).append(same[kept].astype(np.float64))
        self.weight.setdefault(page, []).append(np.where(~same & main[one] & main[two], HARM, 1.0)[kept])
        return np.where(known, same, -1).astype(np.int8)

    def learned(self, rng: np.random.Generator) -> Trees:
        parts = []
        for page in self.seen:
            own = [np.concatenate(of[page]) for of in (self.seen, self.same, self.weight)]
            some = rng.permutation(len(own[0]))[:A_PAGE]
            parts.append([of[some] for of in own])
        seen, same, weight = (np.concatenate(of) for of in zip(*parts, strict=True))
        some = rng.permutation(len(seen))[:MOST]
        return grown(self.names, seen[some].astype(np.float64), same[some], weight[some])


def main(out: Path, share: float) -> None:
    """Draw, look, learn and write."""
    rows = list(listed())
    some = rows[: max(1, round(share * len(rows)))]
    samples = [sample_of(drawn_page_of(law, seed), way, seed) for law, seed, way in some]
    out.write_text(written(taught(samples)), encoding="utf-8")


def listed() -> Iterator[tuple[str, int, str]]:
    """Law, seed and way of looking of each page; charts are looked at in two ways, every third page with worn lines."""
    rows = []
    for n, law in enumerate(LAWS):
        for seed in range(1, 1 + SEEDS.get(law, OTHERS)):
            rows.append((law, seed, WAYS[(n + seed) % len(WAYS)]))
            if law == "chart":
                rows.append((law, seed, WAYS[(n + seed + 2) % len(WAYS)]))
    for n, (law, most) in enumerate(PLOTTED.items()):
        rows += [(law, seed, WAYS[(n + seed) % len(WAYS)]) for seed in range(1, most + 1)]
    worn = [(law, seed, WORN[seed % len(WORN)]) for law, seed, _ in rows if _is_worn(law, seed)]
    framed = [("frames", seed, (*WAYS, *WORN)[seed % 8] if seed % 2 else "300") for seed in range(1, 1 + FRAMED)]
    yield from dict.fromkeys(rows + worn + framed + [(f"plain {law}", 1, "300") for law in PLAIN])


def drawn_page_of(law: str, seed: int) -> DrawnPage:
    """The page of one of the laws listed."""
    if law == "frames":
        return framed_page(seed)
    if law.startswith("plain "):
        return plain_page(law.removeprefix("plain "), seed)
    return (plotted_page if law in PLOTS else toned_page)(law, seed)


def _is_worn(law: str, seed: int) -> bool:
    if law in PLOTTED:
        return seed % 2 == 0
    return seed % 4 == 0 if law in ("scene", "close") else seed <= 6


def sample_of(page: DrawnPage, way: str, seed: int) -> Sample:
    """A page cut at every stroke, as `flats` does."""
    looked = looked_at(page, way, seed)
    line, truth, cell = (looked.alpha > 0).astype(np.uint8), looked.truth, 25.4 / DPI
    drawn = outlines_of(line, GAP_MM, cell)
    labels = find_regions(1 - drawn.parting, BALL)
    spread_under(labels)
    labels -= 1
    graph, free = graph_of(labels, 1 - line, drawn, cell), line == 0
    return Sample(graph, most_of(labels[free], truth[free], np.ones(int(free.sum())), len(graph.areas)), cell)


def taught(samples: list[Sample]) -> Trees:
    """Trees learned on these pages: by the truth, and once more by what was learned then."""
    rng, book = np.random.default_rng(0), Book()
    for page, sample in enumerate(samples):
        _guided(page, sample, book, rng)
    trees = book.learned(rng)
    for page, sample in enumerate(samples):
        settled_rounds(
            sample.graph,
            sample.cell,
            lambda seen: weighed(trees, seen),
            lambda seen, into, n=page, of=sample: book.write(n, of, seen, into),
        )
    return book.learned(rng)


def _guided(page: int, sample: Sample, book: Book, rng: np.random.Generator) -> None:
    """Join what is one area, three borders in ten at a time."""
    told: list[NDArray[np.int8]] = []

    def weigh(seen: dict[str, Array]) -> Array:
        go = (told[-1] == 1) & (rng.random(len(told[-1])) < 0.3)
        return np.where(go, rng.uniform(3, 9, len(go)), -9.0)

    settled_rounds(
        sample.graph, sample.cell, weigh, lambda seen, into: told.append(book.write(page, sample, seen, into))
    )


def most_of(group: Ints, owner: Ints, weight: Array, count: int | None = None) -> Ints:
    """(n,) the owner most of the weight of each group has."""
    span = int(owner.max()) + 1
    code, place = np.unique(group.astype(np.int64) * span + owner, return_inverse=True)
    order = np.argsort(np.bincount(place, weight), kind="stable")
    found = np.zeros(count or int(group.max()) + 1, np.int64)
    found[(code // span)[order]] = (code % span)[order]
    return found


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]) if len(sys.argv) > 2 else 1.0)
