"""I check that a join tells of pieces that their overlaps show to be scanned again, and of no others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import synthetic_captures as captures

from stitchbed.core.arrays import Floats
from stitchbed.core.progress import silent
from stitchbed.imaging.transfer import transfer_of
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.mosaic.survey.context import Kind, SurveyContext, SurveySettings
from stitchbed.pipelines.scanning.overlap_faults import glass_faults, overlap_faults
from stitchbed.reading.intake import take_in
from stitchbed.reading.shelf import Shelf

OVERLAP = 180  # px


def _pieces(fault: str) -> list[captures.Piece]:
    """Three upright parts of one drawing side by side, with noise of their own; the middle one has the fault."""
    one = captures.good_set(4)[0]
    most, wide = np.iinfo(one.pixels.dtype).max, _width(one)
    rng = np.random.default_rng(8)
    found = []
    for index in range(3):
        part = one.pixels[:, index * (wide - OVERLAP) :][:, :wide].astype(np.float32)
        part += rng.normal(0, 0.004 * most, part.shape)
        high = len(part)
        if fault == "bands" and index == 1:
            part *= 1 + 0.04 * np.sin(2 * np.pi * np.arange(high) / 31)[:, None, None]
        if fault == "blur" and index == 1:
            soft = cv2.GaussianBlur(one.pixels[:, index * (wide - OVERLAP) :][:, :wide], (0, 0), 1.6)
            part += soft - one.pixels[:, index * (wide - OVERLAP) :][:, :wide].astype(np.float32)
        if fault == "finger":
            part *= _fingerprint(high, wide)[..., None]
        if fault == "jump" and index == 1:
            part[high // 2 :] = np.roll(part, -6, 0)[high // 2 :]
        pixels = np.clip(part, 0, most).astype(one.pixels.dtype)
        found.append(replace(one, name=f"p{index}", pixels=pixels))
    return found


def _fingerprint(high: int, wide: int) -> Floats:
    """(high, wide) light that a print on the glass lets through, the same in every scan."""
    y, x = np.mgrid[0:high, 0:wide].astype(np.float32)
    ridges = 1 + 0.06 * np.sin(np.hypot(x - wide / 2, y - high / 2) * 2 * np.pi / 7)
    inside = np.hypot((x - wide / 2) / 80, (y - high / 2) / 110) < 1
    return np.asarray(np.where(inside, ridges, 1.0), np.float32)


def _width(one: captures.Piece) -> int:
    return (one.pixels.shape[1] + 2 * OVERLAP) // 3


def _told(folder: Path, fault: str, *, laid: bool = True) -> list[str]:
    pieces = _pieces(fault)
    tiles, _ = take_in(captures.write_pieces(folder, pieces), memory=2**28)
    high, wide, channels = tiles[0].raster.shape
    places = [
        Placement(tile.name, (high, wide), np.array([[1.0, 0, index * (wide - OVERLAP)], [0, 1, 0], [0, 0, 1]]))
        for index, tile in enumerate(tiles)
    ]
    icc = tiles[0].raster.icc
    kind = Kind(channels, tiles[0].raster.dtype, icc, transfer_of(icc))
    with Shelf(tiles, 2**26, folder, memory=2**28) as shelf:
        dpi = np.full(3, 300.0)
        context = SurveyContext(tuple(tiles), dpi, shelf, kind, SurveySettings(), 1, silent)
        return overlap_faults(context, tiles, places).words if laid else glass_faults(context)


@pytest.mark.parametrize(
    ("fault", "word"), [("bands", "bands across the travel"), ("jump", "jumps by 6 px"), ("blur", "% less steep")]
)
def test_the_piece_with_the_fault_is_named_alone(tmp_path: Path, fault: str, word: str) -> None:
    told = _told(tmp_path, fault)
    assert len(told) == 1 and told[0].startswith("p1") and word in told[0]


def test_a_fingerprint_on_the_glass_is_told_of_all_pieces(tmp_path: Path) -> None:
    told = _told(tmp_path, "finger")
    assert len(told) == 1 and told[0].startswith("all pieces: a patch of the glass")


def test_good_pieces_are_left_in_peace(tmp_path: Path) -> None:
    assert _told(tmp_path, "none") == []


@pytest.mark.parametrize(("fault", "told"), [("finger", True), ("", False)])
def test_what_lies_on_the_glass_is_told_of_pieces_without_a_place_too(tmp_path: Path, fault: str, told: bool) -> None:
    words = _told(tmp_path, fault, laid=False)
    assert [line.split(",")[0] for line in words] == ["all pieces: a patch of the glass"] * told
