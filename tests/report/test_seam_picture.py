"""I check that the seam picture holds the pieces' numbers, and that neighbors can be told apart, in gray too."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from stitchbed.report.join_maps import MOST_CELLS, NOBODY, neighbors_of, seam_picture
from stitchbed.report.overlays import label_borders, seam_path


def _labels() -> np.ndarray:
    """3 x 3 pieces with ragged borders and a corner nobody sees."""
    rng = np.random.default_rng(2)
    y, x = np.mgrid[:90, :120]
    labels = (np.clip(y + rng.integers(-4, 5, (90, 1)), 0, 89) // 30 * 3 + x // 40).astype(np.uint16)
    labels[:10, :10] = NOBODY
    return labels


def test_values_are_the_pieces_and_the_last_is_nobody() -> None:
    labels = _labels()
    picture, cell = seam_picture(labels, 12)
    assert picture.mode == "P" and cell == 12
    assert np.array_equal(np.asarray(picture), np.where(labels == NOBODY, 255, labels))
    assert tuple(np.asarray(picture.convert("RGB"))[0, 0]) == (255, 255, 255)


def test_neighbors_differ_in_gray() -> None:
    """Lightness apart by 15 of 255 at least (ITU-R BT.601 luma): seen at a preview beside each other."""
    labels = _labels()
    gray = np.asarray(seam_picture(labels, 12)[0].convert("L"), int)
    level = {int(label): int(np.median(gray[labels == label])) for label in np.unique(labels) if label != NOBODY}
    beside = neighbors_of(labels)
    assert len(beside) == 9 and all(beside.values())
    assert min(abs(level[a] - level[b]) for a, near in beside.items() for b in near) >= 15
    assert max(level.values()) < 235


def test_more_pieces_than_a_palette_holds() -> None:
    labels = np.arange(300, dtype=np.uint16).reshape(15, 20)
    labels[0, 0] = NOBODY
    picture, _ = seam_picture(labels, 4)
    assert np.array_equal(np.asarray(picture), labels)


def test_huge_maps_are_thinned_and_say_so() -> None:
    labels = np.zeros((30, 3 * MOST_CELLS - 7), np.uint16)
    labels[:, 3000:] = 1
    picture, cell = seam_picture(labels, 10)
    assert max(picture.size) <= MOST_CELLS and cell == 30
    assert np.flatnonzero(np.diff(np.asarray(picture)[3].astype(int)))[0] == pytest.approx(1000, abs=1)


@pytest.mark.parametrize("many", [False, True])
def test_the_proof_page_finds_the_same_borders(tmp_path: Path, many: bool) -> None:
    labels = _labels()
    labels = labels + np.uint16(300) * (labels != NOBODY) if many else labels
    picture, cell = seam_picture(labels, 8)
    picture.save(tmp_path / "c.seams.png", optimize=True)
    record = {"seams": {"path": "c.seams.png", "cell_px": cell}}
    assert seam_path(record, tmp_path / "c.tif") == label_borders(labels, 8) != ""


def test_nothing_seen_at_all() -> None:
    picture, _ = seam_picture(np.full((3, 4), NOBODY, np.uint16), 4)
    assert isinstance(picture, Image.Image) and set(np.asarray(picture).ravel()) == {255}
