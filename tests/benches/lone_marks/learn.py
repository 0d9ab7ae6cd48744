"""I learn the numbers of `stitchbed/page/dust/lone_marks.txt` from pages whose every mark and grain is known.

By hand: python tests/benches/lone_marks/learn.py OUT.txt [SEEDS] [DRAWING.svg ...]

SEEDS pages of each kind (12 when none is said, some 2 s each) are drawn at 300 dpi, dusted, scanned with blur, grain,
noise, ink and paper of their own, one in four through JPEG; drawings, black on white, come in by rsvg-convert. Found
marks are labeled by what was drawn, and a network of one hidden layer is fitted by Adam. Printed before it is written:
what share of the dust on bare paper is left where so many of the marks of .1 mm and more would be lost, on pages held
out. The shipped numbers come of twelve to twenty pages of each kind and 140 drawings of Debian's openclipart-svg.

Reference: Kingma & Ba, Adam: a method for stochastic optimization, ICLR 2015.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from pathlib import Path

import checkout  # noqa: F401  # first: the search path
import cv2
import dusty
import numpy as np
import pages
from numpy.typing import NDArray
from PIL import Image

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.page.dust import sweep as sweeping
from stitchbed.page.dust.candidates import Scale
from stitchbed.page.dust.classify import asked
from stitchbed.page.dust.evidence import PEN_MM, odds
from stitchbed.page.dust.surroundings import BOUND, learned, seen_among
from stitchbed.page.ground import Ground
from stitchbed.page.page import page_of_array
from stitchbed.page.sheet.white import PaperSettings, survey

Array = NDArray[np.float64]
DPI, LARGEST_MM, LEAST_MM = 300, 0.6, 0.093  # the last: a dot of .1 mm as drawn in whole samples
UNITS, ROUNDS, RATE, AT_ONCE, DECAY = 16, 80, 4e-3, 512, 1e-4
FOLDS = 5
LOST = (0.0005, 0.001, 0.002)


def scanned(art: pages.Art, seed: int) -> tuple[NDArray[np.uint8], NDArray[np.int32], list[tuple[float, ...]]]:
    """A page with dust as a scanner shows it, whose dust a pixel is, and the grains' numbers, places and sizes."""
    rng, cover = np.random.default_rng(seed), pages.cover(art)
    law = dusty.LAWS[int(rng.integers(len(dusty.LAWS)))]
    over, tone, own, sizes = law(rng, cover.shape, DPI, (60, 30, 60, 90)[seed % 4], art.w, art.h)
    light = (1 + (rng.uniform(0.02, 0.07) - 1) * cover) * (1 - over) + over * tone
    paper = np.clip(rng.uniform(0.72, 0.92) * np.array([1, rng.uniform(0.95, 1), rng.uniform(0.84, 0.98)]), 0, 1)
    codes = dusty.scan_light(
        np.repeat(light[..., None], 3, 2), DPI, seed, blur_mm=rng.uniform(0.015, 0.035), top=255,
        grain=rng.uniform(0.006, 0.016), noise=rng.uniform(0.003, 0.008), paper=tuple(paper),
    )  # fmt: skip
    if rng.random() < 0.25:
        packed = io.BytesIO()
        Image.fromarray(codes).save(packed, "JPEG", quality=93, subsampling=1)
        codes = np.asarray(Image.open(packed))
    return codes, own, sizes


def rows_of(art: pages.Art, seed: int, names: tuple[str, ...]) -> tuple[Array, NDArray[np.int8]]:
    """(n, k) what is seen of each mark that is weighed; what it is: 0 ink of LEAST_MM, 1 dust of .1 mm, -1 neither."""
    codes, own, sizes = scanned(art, seed)
    page = page_of_array(np.ascontiguousarray(codes), DPI)
    ground = Ground(page, survey(page, page.box, PaperSettings()))
    dark = (cv2.resize(pages.cover(art), (60, 60), interpolation=cv2.INTER_AREA) > 0.5).astype(np.float32)
    traits = sweeping.ink_of(ground, sweeping.sampled(page, page.box, dark), 1)
    scale = Scale(DPI / MM_PER_INCH, LARGEST_MM)
    finds = sweeping.sweep(ground, page.box, traits, scale)
    which = asked(finds, scale)
    finds = sweeping.weighed(ground, finds, which, traits, scale)
    seen = seen_among(finds, odds(finds, scale, PEN_MM), scale, PEN_MM)
    what = _labels(finds, art, own, {number: size for number, _, _, size, _ in sizes})
    use = which & (finds.bare > 0.3)
    return np.stack([seen[name][use] for name in names], axis=1), what[use]


def _labels(finds, art: pages.Art, own: NDArray[np.int32], sizes: dict[int, float]) -> NDArray[np.int8]:
    depth = cv2.distanceTransform((art.a > 0).astype(np.uint8), cv2.DIST_L2, 5)
    high, wide = own.shape
    thick = depth.reshape(high, pages.SAMPLES, wide, pages.SAMPLES).max(axis=(1, 3)) * 2 / art.k
    cover = pages.cover(art)
    n = len(finds.kind)
    inside = (finds.rows >= 0) & (finds.rows < high) & (finds.cols >= 0) & (finds.cols < wide)
    owner, rows, cols = finds.owner[inside], finds.rows[inside], finds.cols[inside]
    ink = np.bincount(owner, cover[rows, cols], n)
    widest, grain = np.zeros(n), np.zeros(n, np.int64)
    np.maximum.at(widest, owner, thick[rows, cols])
    np.maximum.at(grain, owner, own[rows, cols])
    size = np.array([sizes.get(int(number), 0.0) for number in grain])
    drawn = (grain == 0) & (widest >= LEAST_MM) & (np.sqrt(4 * ink / np.pi) * MM_PER_INCH / DPI > 0.09)
    return np.where(drawn, 0, np.where((ink < 0.2) & (size >= 0.1), 1, -1)).astype(np.int8)


def fitted(given: Array, dust: Array, seed: int = 1) -> list[Array]:
    """Weights into the units, their offsets, weights out of them, the constant."""
    rng = np.random.default_rng(seed)
    n, k = given.shape
    base = np.array(np.log(dust.mean() / (1 - dust.mean())))
    now = [rng.normal(0, k**-0.5, (k, UNITS)), np.zeros(UNITS), rng.normal(0, UNITS**-0.5, UNITS), base]
    first, second = ([np.zeros_like(one) for one in now] for _ in range(2))
    step = 0
    for turn in range(ROUNDS):
        order, rate = rng.permutation(n), RATE / 2 * (1 + np.cos(np.pi * turn / ROUNDS))
        for at in range(0, n, AT_ONCE):
            some, step = order[at : at + AT_ONCE], step + 1
            for i, slope in enumerate(_slopes(now, given[some], dust[some])):
                first[i] = 0.9 * first[i] + 0.1 * slope
                second[i] = 0.999 * second[i] + 0.001 * slope**2
                spread = np.sqrt(second[i] / (1 - 0.999**step)) + 1e-8
                now[i] = now[i] - rate * first[i] / (1 - 0.9**step) / spread
    return now


def _slopes(now: list[Array], given: Array, dust: Array) -> list[Array]:
    """Of the mean cross-entropy and half DECAY of the squares of the weights."""
    units = np.tanh(given @ now[0] + now[1])
    error = (1 / (1 + np.exp(-(units @ now[2] + now[3]))) - dust) / len(given)
    back = np.outer(error, now[2]) * (1 - units**2)
    return [given.T @ back + DECAY * now[0], back.sum(axis=0), units.T @ error + DECAY * now[2], error.sum()]


def said(now: list[Array], given: Array) -> Array:
    """(n,) log odds."""
    return np.asarray(np.tanh(given @ now[0] + now[1]) @ now[2] + now[3])


def held_out(given: Array, what: NDArray[np.int8], page: NDArray[np.int64]) -> Iterator[str]:
    """What would be lost and left on pages that were not learned from."""
    odds_there = np.zeros(len(what))
    for fold in range(FOLDS):
        there = page % FOLDS == fold
        use = ~there & (what >= 0)
        odds_there[there] = said(fitted(given[use], what[use].astype(np.float64)), given[there])
    ink, dust = (np.sort(odds_there[what == kind])[::-1] for kind in (0, 1))
    for share in LOST:
        limit = ink[round(share * len(ink))]
        left = (dust <= limit).mean()
        yield f"{share:.2%} of {len(ink)} marks lost leave {left:.1%} of {len(dust)} grains, from odds of {limit:.1f}"


def written(now: list[Array], mean: Array, sd: Array, names: tuple[str, ...]) -> str:
    """The file's text."""
    rows = [mean, sd, *(np.array([*now[0][:, n], now[1][n], now[2][n]]) for n in range(UNITS)), np.array([now[3]])]
    head = (
        "# names of what is looked at; mean and spread of each; a unit per row: weights, offset, weight of what it says"
    )
    lines = [" ".join(f"{value:.4g}" for value in row.ravel()) for row in rows]
    return "\n".join([f"{head}; constant", " ".join(names), *lines, ""])


def main(out: Path, seeds: int, drawings: list[str]) -> None:
    names = learned().names
    arts = [(draw, seed) for draw in pages.KINDS.values() for seed in range(seeds)]
    arts += [(lambda _, dpi, path=path: pages.clip(path, dpi), n) for n, path in enumerate(drawings)]
    parts = []
    for n, (draw, seed) in enumerate(arts):
        parts.append(rows_of(draw(seed, DPI), 1000 + n, names))
        print(n + 1, "of", len(arts), "pages", end="\r", flush=True)
    seen, what = (np.concatenate(column) for column in zip(*parts, strict=True))
    page = np.repeat(np.arange(len(parts)), [len(kinds) for _, kinds in parts])
    mean, sd = seen[what >= 0].mean(axis=0), seen[what >= 0].std(axis=0) + 1e-6
    given = np.clip((seen - mean) / sd, -BOUND, BOUND)
    print(*held_out(given, what, page), sep="\n")
    out.write_text(
        written(fitted(given[what >= 0], what[what >= 0].astype(np.float64)), mean, sd, names), encoding="utf-8"
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 12, sys.argv[3:])
