"""I learn the numbers in `stitchbed/page/dust/lone_marks_300.txt` and `_600.txt` from pages whose every mark is known.

By hand: python tests/benches/learn_lone_marks.py OUT.txt DPI [SEEDS] [DRAWING.svg ...]

In: 300 or 600 dpi, SEEDS pages of each kind (9 when none is said), and drawings, black on white, which come in by
rsvg-convert; one to three seconds of a processor each. Each is drawn, dusted by one of four laws and scanned with blur,
grain, noise, ink and paper of its own, one in three sharpened, one in four through JPEG. Out: OUT.txt, and before that
what share of the dust on bare paper would be left where so many of the marks of .1 mm and more would be lost: by
networks learned on the other pages, on the other kinds of page, and by the one that ships.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import sys
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
from lone_marks.network import fitted, written
from lone_marks.pages import KINDS, drawn, printed
from lone_marks.samples import DUST, INK, NEITHER, Samples, gathered
from lone_marks.sheets import Sheet
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.page.dust.surroundings import Network, asked, learned

SEEDS = 9  # pages of each kind
FIRST_SCAN, FIRST_PRINT = 1000, 4000  # seeds of the first page's scan, of the first drawing's
FOLDS = 5
LOST = (0.0005, 0.001, 0.002)  # shares of the drawn marks


def main(out: Path, dpi: float, seeds: int, drawings: list[str]) -> None:
    """Draw, look, learn, print and write."""
    makers: list[Callable[[], Sheet]] = [partial(drawn, kind, seed, dpi) for seed in range(seeds) for kind in KINDS]
    kinds = list(range(len(KINDS))) * seeds + [len(KINDS)] * len(drawings)
    makers += [partial(printed, path, dpi) for path in drawings]
    scans = [*range(FIRST_SCAN, FIRST_SCAN + len(KINDS) * seeds), *range(FIRST_PRINT, FIRST_PRINT + len(drawings))]
    shipped, pages = learned(dpi), []
    for number, (make, scan) in enumerate(zip(makers, scans, strict=True)):
        pages.append(gathered(make(), scan, shipped.names, dpi))
        print(number + 1, "of", len(makers), "pages", end="\r", flush=True)
    what = np.concatenate([page.what for page in pages])
    by_page = [number % FOLDS for number in range(len(pages))]
    print("\nlearned on the other pages:", *told(held_out(pages, shipped.names, by_page), what), sep="\n")
    by_kind = [kind % FOLDS for kind in kinds]
    print("learned on other kinds:", *told(held_out(pages, shipped.names, by_kind), what), sep="\n")
    print("as shipped:", *told(said(shipped, _together(pages).seen), what), sep="\n")
    out.write_text(written(_learned(pages, shipped.names)), encoding="utf-8")


def held_out(pages: list[Samples], names: tuple[str, ...], folds: list[int]) -> Array:
    """(n,) log odds of each mark, by a network that saw no page of its fold. folds : of each page, 0 .. FOLDS - 1."""
    every: dict[int, Array] = {}
    for fold in range(FOLDS):
        network = _learned([page for page, its in zip(pages, folds, strict=True) if its != fold], names)
        every |= {n: said(network, page.seen) for n, page in enumerate(pages) if folds[n] == fold}
    return np.concatenate([every[n] for n in range(len(pages))])


def told(odds: Array, what: NDArray[np.int8]) -> Iterator[str]:
    """A line for each share of LOST."""
    ink, dust = (np.sort(odds[what == kind])[::-1] for kind in (INK, DUST))
    for share in LOST:
        limit = ink[round(share * len(ink))]
        left = (dust <= limit).mean()
        yield f"{share:.2%} of {len(ink)} marks lost leave {left:.1%} of {len(dust)} grains, from odds of {limit:.1f}"


def said(network: Network, seen: Array) -> Array:
    """(n,) log odds that marks are dust, of what is seen (n, k) of them."""
    return asked(network, dict(zip(network.names, seen.T, strict=True)))


def _learned(pages: list[Samples], names: tuple[str, ...]) -> Network:
    every = _together(pages)
    known = every.what != NEITHER
    return fitted(names, every.seen[known], (every.what[known] == DUST).astype(np.float64))


def _together(pages: list[Samples]) -> Samples:
    return Samples(np.concatenate([page.seen for page in pages]), np.concatenate([page.what for page in pages]))


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else SEEDS, sys.argv[4:])
