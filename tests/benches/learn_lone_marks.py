"""I learn numbers such as those in `stitchbed/page/dust/lone_marks.txt` from pages whose every mark and grain is known.

By hand: python tests/benches/learn_lone_marks.py OUT.txt [SEEDS] [DRAWING.svg ...]

In: SEEDS pages of each kind (12 when none is said), and drawings, black on white, which come in by rsvg-convert; about
a second of a processor each. Each is drawn at 300 dpi, dusted by one of three laws and scanned with blur, grain, noise,
ink and paper of its own, one in four through JPEG. Out: OUT.txt, and before it is written what share of the dust on
bare paper would be left where so many of the marks of .1 mm and more would be lost: by networks learned on the other
pages, and by the one that ships.

The numbers that ship came of these makers while they were trial scripts, on 270 pages: twelve to twenty of each kind
and 140 drawings of Debian's openclipart-svg. The scripts drew the same kinds of marks from other random numbers and set
their type in another face, so running it again gives other numbers, of the same quality only: on 15 pages of each kind
and 135 drawings, .1 and .2 % of the marks lost left 9.1 and 5.4 % of the dust, as shipped 9.2 and 4.9 %; where .05 %
(ten marks) may be lost, 22 and 16 %.
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
from lone_marks.samples import DPI, DUST, INK, NEITHER, Samples, gathered
from lone_marks.sheets import Sheet
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.page.dust.surroundings import Network, asked, learned

SEEDS = 12  # pages of each kind
FIRST_SCAN = 1000  # seed of the first page's scan
FOLDS = 5
LOST = (0.0005, 0.001, 0.002)  # shares of the drawn marks


def main(out: Path, seeds: int, drawings: list[str]) -> None:
    """Draw, look, learn, print and write."""
    makers: list[Callable[[], Sheet]] = [partial(drawn, kind, seed, DPI) for kind in KINDS for seed in range(seeds)]
    makers += [partial(printed, path, DPI) for path in drawings]
    shipped, pages = learned(), []
    for number, make in enumerate(makers):
        pages.append(gathered(make(), FIRST_SCAN + number, shipped.names))
        print(number + 1, "of", len(makers), "pages", end="\r", flush=True)
    what = np.concatenate([page.what for page in pages])
    print("\nlearned on the other pages:", *told(held_out(pages, shipped.names), what), sep="\n")
    print("as shipped:", *told(said(shipped, _together(pages).seen), what), sep="\n")
    out.write_text(written(_learned(pages, shipped.names)), encoding="utf-8")


def held_out(pages: list[Samples], names: tuple[str, ...]) -> Array:
    """(n,) log odds of each mark, by a network that never saw its page."""
    every: dict[int, Array] = {}
    for fold in range(FOLDS):
        network = _learned([page for n, page in enumerate(pages) if n % FOLDS != fold], names)
        every |= {n: said(network, pages[n].seen) for n in range(fold, len(pages), FOLDS)}
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
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else SEEDS, sys.argv[3:])
