"""I measure flats on drawn pages whose areas are known: what of them is found, and what is found too many.

By hand: python tests/benches/bench_flats.py [PAGES [HAND ...]], or [PAGES [LAW ...]], or [PAGES plain],
[PAGES toned], [PAGES plots]

In: PAGES of each invented hand (3 when none is said), of the hands or of the plain laws named, or of all plain laws:
their pages know no tone, and show whether what mends the others harms them; or of all laws with tone ("toned map" for
one of them), each page by a hand of its own and the first five looked at in five ways; or of narrow plots and loose
nets, every other page with worn lines ("nets": of nets alone); or of plates in worn "frames", or of "patterned" things,
or of shapes "apart".
Ten seconds of a processor a page. Letters are set in DejaVu, which must be installed. Out: a line for each page and
each hand. An area is found where nine tenths of its free pixels lie in one region, and nine tenths of that region in
it. Of the others it is told whether they lie in a region that holds more than them (swallowed), or in pieces. A region
too many is none of those in which areas lie for the most part. What nobody would say, tiles one by one or a mast, is
left out.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import sys

import numpy as np
from drawn_pages.apart import apart_page
from drawn_pages.frames import framed_page
from drawn_pages.hands import HANDS
from drawn_pages.looked_at import WAYS, WORN, looked_at
from drawn_pages.pages import DPI, LINE, DrawnPage, drawn_page
from drawn_pages.patterned import patterned_page
from drawn_pages.plain import LAWS, plain_page
from drawn_pages.plots import LAWS as PLOTS
from drawn_pages.plots import plotted_page
from drawn_pages.toned import LAWS as TONED
from drawn_pages.toned import toned_page
from numpy.typing import NDArray

from stitchbed.core.arrays import Labels
from stitchbed.page.page import page_of_array
from stitchbed.pipelines.flats import FlatsSettings, lines_of, region_map

PAGES = 3
ALONE = {"frames": framed_page, "patterned": patterned_page, "apart": apart_page}
IN_COMMON = 0.9
COUNTS = ("asked for", "found", "swallowed", "in pieces", "too many")


def main(pages: int, names: list[str]) -> None:
    """Draw, fill, print."""
    every = np.zeros(len(COUNTS), np.int64)
    for name in names:
        own = np.zeros(len(COUNTS), np.int64)
        for seed in range(pages):
            page = _page(name, seed)
            counts = counted(page, regions_of(page))
            print(f"{name} {seed}: " + told(counts), flush=True)
            own += counts
        print(f"{name}: {told(own)}; {shares(own)}", flush=True)
        every += own
    print(f"all: {told(every)}; {shares(every)}")


def _page(name: str, seed: int) -> DrawnPage:
    if name.startswith("toned "):
        return looked_at(toned_page(name.removeprefix("toned "), seed), WAYS[seed % len(WAYS)], seed)
    if name in PLOTS:
        page = plotted_page(name, seed)
        return looked_at(page, WORN[seed // 2 % len(WORN)], seed) if seed % 2 else page
    if name in ALONE:
        return ALONE[name](seed)
    return drawn_page(name, seed) if name in HANDS else plain_page(name, seed)


def regions_of(page: DrawnPage) -> Labels:
    """(h, w) region of each pixel as `flats` finds them; its map has as many cells as the page."""
    lines = page_of_array(255 - page.alpha, DPI)
    return region_map(lines, lines_of(lines, LINE / 255), FlatsSettings(workers=1))[0].labels


def counted(page: DrawnPage, labels: Labels) -> NDArray[np.int64]:
    """COUNTS of a page."""
    free = page.alpha < LINE
    known = free & (page.truth > 0)
    table = np.zeros((int(page.truth.max()) + 1, int(labels.max()) + 1), np.int64)
    np.add.at(table, (page.truth[known], labels[known]), 1)
    whole = np.bincount(labels[free], minlength=table.shape[1])
    area, size, best = table.sum(axis=1), table.sum(axis=0), table.argmax(axis=1)
    there = np.flatnonzero(area)
    inside = table[there, best[there]] >= IN_COMMON * area[there]
    found = inside & (table[there, best[there]] >= IN_COMMON * size[best[there]])
    ours = np.flatnonzero((size > 0.5 * whole) & (size > 0))
    extra = len(np.setdiff1d(ours, best[there]))
    return np.array([len(there), found.sum(), (inside & ~found).sum(), (~inside).sum(), extra], np.int64)


def told(counts: NDArray[np.int64]) -> str:
    return ", ".join(f"{count} {word}" for count, word in zip(counts.tolist(), COUNTS, strict=True))


def shares(counts: NDArray[np.int64]) -> str:
    asked_for = max(int(counts[0]), 1)
    return f"found {counts[1] / asked_for:.3f}, too many {counts[4] / asked_for:.3f}"


if __name__ == "__main__":
    wanted = sys.argv[2:] or list(HANDS)
    sets = {"plain": list(LAWS), "toned": [f"toned {law}" for law in TONED], "plots": list(PLOTS)}
    main(int(sys.argv[1]) if len(sys.argv) > 1 else PAGES, [n for w in wanted for n in sets.get(w, [w])])
