"""I check that what a broken-off scan did not see is told from a black lid and from black that is drawn."""

from __future__ import annotations

import numpy as np
import truth

from stitchbed.imaging.gray import gray_of
from stitchbed.matching.overlap_evidence import EvidenceSettings, detail_of
from stitchbed.mosaic.survey.broken_off import broken_parts

SHAPE, DPI = (300, 360), 150.0
POSES = {"a": truth.pose(190, 170, 0.3, shape=SHAPE), "b": truth.pose(430, 175, -0.4, shape=SHAPE)}


def _pieces(seed: int) -> dict[str, np.ndarray]:
    """Gray pictures of two pieces of one sheet beside each other."""
    sheet = truth.paint_sheet(560, 640, seed)
    cut = truth.cut_tiles(sheet, list(POSES.values()), shape=SHAPE)
    return {name: gray_of(tile.pixels) for name, tile in zip(POSES, cut, strict=True)}


def _broken(pieces: dict[str, np.ndarray]) -> dict[str, tuple[tuple[float, float, float, float], ...]]:
    return broken_parts(POSES, {k: detail_of(v, 1, DPI / 25.4, EvidenceSettings()) for k, v in pieces.items()})


def test_what_a_neighbor_shows_lit_was_never_seen() -> None:
    pieces = _pieces(3)
    assert _broken(pieces) == {"a": (), "b": ()}
    pieces["a"][210:] = 0
    found = _broken(pieces)
    assert found["b"] == () and len(found["a"]) == 1
    left, top, width, height = found["a"][0]
    assert left == 0 and width >= SHAPE[1] and top + height >= SHAPE[0]
    assert 207 <= top <= 210  # nothing black is left, hardly anything seen is lost


def test_black_that_both_show_and_black_that_nobody_else_sees_stay() -> None:
    both = _pieces(4)
    for name in both:
        both[name][240:] = 0
    assert _broken(both) == {"a": (), "b": ()}
    alone = _pieces(4)
    alone["a"][:, :60] = 0  # the far side
    assert _broken(alone) == {"a": (), "b": ()}
