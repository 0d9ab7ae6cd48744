"""I photograph paintings in three overlapping parts at full size and print how true the whole becomes; run me by hand.

In: `python tests/benches/bench_parts.py [sets] [first] [cards]`. Out: one line per set, then a summary.

A painting of 900 x 600 mm, three photos of 24 megapixels with tilts up to 10 degrees, exposures .75 to .95, corners
that lose a quarter of their light, a lamp from one side, noise, JPEG. cards: numbers of the corner cards round it, 1234
at first; 14 leaves two photos without any. About a minute a set on a slow core.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np
import tifffile
from photo_sets import photo_set
from pipelines.test_rectify_parts import fit_differences
from synthetic_camera import find_dots, photograph

from stitchbed.core.errors import StitchbedError
from stitchbed.imaging.transfer import to_linear, transfer_of
from stitchbed.photos.survey.plane_types import Asked
from stitchbed.pipelines.rectify import RectifySettings, rectify

SIZE = (900.0, 600.0)
PHOTO = (4000, 6000)
DENSITY = 6.0
DPI = 150.0


def one_set(seed: int, cards: tuple[int, ...], folder: Path) -> tuple[float, ...]:
    """Affine rms px, worst px, worst place mm, overlap rms px, dE2000 median and 95 %."""
    rng = np.random.default_rng(seed)
    photos = photo_set(rng, size=SIZE, density=DENSITY, photo=PHOTO, cards=cards)
    paths = []
    for number, camera in enumerate(photos.cameras):
        paths.append(folder / f"part {number}.png")
        cv2.imwrite(str(paths[-1]), photograph(photos.scene, camera, rng)[..., ::-1])
    settings = RectifySettings(DPI, Asked(printed_mm=(160.0, 160.0)))
    record = rectify(paths, folder / "whole.tif", settings, progress=lambda *_: None)
    light = to_linear(np.ascontiguousarray(tifffile.imread(folder / "whole.tif")), transfer_of(None))
    true = (photos.dots + np.array(SIZE) / 2) * (DPI / 25.4) - 0.5
    found = find_dots(light.mean(2), true, DPI / 25.4)
    design = np.column_stack([found, np.ones(len(found))])
    left = np.hypot(*(design @ np.linalg.lstsq(design, true, rcond=None)[0] - true).T)
    worst_mm = np.hypot(*(found - true).T).max() * 25.4 / DPI
    agree = max(overlap["rms_px"] for overlap in record["numbers"]["overlaps"])
    differences = fit_differences(light, photos.work)
    shown = (np.median(differences), np.percentile(differences, 95))
    return float(np.sqrt((left**2).mean())), float(left.max()), float(worst_mm), agree, *(float(v) for v in shown)


def main() -> None:
    """Run the sets asked for."""
    words = sys.argv[1:]
    count, first = (int(words[i]) if len(words) > i else default for i, default in ((0, 5), (1, 0)))
    cards = tuple(int(letter) for letter in (words[2] if len(words) > 2 else "1234"))
    rows, refused = [], 0
    with tempfile.TemporaryDirectory() as name:
        for seed in range(first, first + count):
            try:
                rows.append(one_set(seed, cards, Path(name)))
            except StitchbedError as error:
                refused += 1
                sys.stdout.write(f"{seed}: refused: {error.found}\n")
                continue
            sys.stdout.write(f"{seed}: {' '.join(f'{value:.4f}' for value in rows[-1])}\n")
            sys.stdout.flush()
    sys.stdout.write(f"solved {len(rows)}, refused {refused}\n")
    for label, values in (("median", np.median(rows, 0)), ("worst", np.max(rows, 0))):
        sys.stdout.write(f"{label}: {' '.join(f'{value:.4f}' for value in values)}\n")


if __name__ == "__main__":
    main()
