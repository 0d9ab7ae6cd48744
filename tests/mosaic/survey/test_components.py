"""I check what a motion that no points propose needs, and one that only faint marks do."""

from __future__ import annotations

from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from stitchbed.core.arrays import Floats
from stitchbed.matching.features import Keypoints
from stitchbed.matching.overlap_evidence import Detail, EvidenceSettings, compare, detail_of
from stitchbed.matching.similarity_links import Link, NoLink, Sight
from stitchbed.mosaic.survey import components
from stitchbed.mosaic.survey.components import ONCE_DRAWN, SLID_DRAWN, tells
from stitchbed.mosaic.survey.context import SurveySettings
from stitchbed.mosaic.survey.judgment import PieceView

EVIDENCE, PX_PER_MM, SIDE, SHIFT = EvidenceSettings(), 4.0, 240, 140  # pieces of 60 mm that share 25
MOTION = np.array([[1, 0, -SHIFT], [0, 1, 0], [0, 0, 1.0]])


def _pieces(page: Floats) -> tuple[Detail, Detail]:
    rng = np.random.default_rng(5)
    noisy = np.asarray(page + rng.normal(0, 2, page.shape), np.float32)
    one, two = (detail_of(np.ascontiguousarray(noisy[:, at : at + SIDE]), 1, PX_PER_MM, EVIDENCE) for at in (0, SHIFT))
    return one, two


def _page(marks: list[tuple[int, int]], seed: int) -> Floats:
    """One scribble of 12 mm at each place (x, y)."""
    page, shape = np.full((240, 400), 235.0, np.float32), np.random.default_rng(seed).uniform(-24, 24, (7, 2))
    for at in marks:
        cv2.polylines(page, [(shape + at).astype(np.int32)], False, 30.0, 4, cv2.LINE_AA)
    return page


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_scribble_tells_where_it_is_drawn_once_and_not_where_it_comes_again(seed: int) -> None:
    shared = (190, 60)
    for marks, told in (([shared], True), ([shared, (60, 60), (60, 170), (330, 170)], False)):
        pair = _pieces(_page(marks, seed))
        seen = compare(MOTION, pair, EVIDENCE)
        assert ONCE_DRAWN < seen.strong < SLID_DRAWN and seen.score > 0.93
        assert tells(MOTION, seen, pair) is told


def test_much_drawing_tells_and_hardly_any_does_not() -> None:
    pair = _pieces(_page([(165, 40), (215, 40), (165, 120), (215, 120), (165, 200), (215, 200)], 2))
    assert tells(MOTION, compare(MOTION, pair, EVIDENCE), pair)
    bare = _pieces(_page([(40, 40)], 2))
    assert not tells(MOTION, compare(MOTION, bare, EVIDENCE), bare)


@pytest.mark.parametrize(("rival", "drawn", "linked"), [(0.3, False, True), (2.0, False, False), (2.0, True, True)])
def test_faint_marks_that_agree_better_elsewhere_are_no_link_where_no_drawing_speaks(
    monkeypatch: pytest.MonkeyPatch, rival: float, drawn: bool, linked: bool
) -> None:
    bare, scribbled = [(40, 40)], [(165, 40), (215, 40), (165, 120), (215, 120), (165, 200), (215, 200)]
    pair = _pieces(_page(scribbled if drawn else bare, 2))
    by_grain = Link("a", "b", MOTION, np.zeros((20, 2)), np.zeros((20, 2)), 0.1, 0.16, rival, probability=0.75)

    def believed(*args: object, evidence: EvidenceSettings, **rest: object) -> Link | NoLink:
        return by_grain if evidence is components.GRAIN else NoLink("a", "b", "nothing", 0)

    monkeypatch.setattr(components, "proposals", lambda *args: [by_grain])
    monkeypatch.setattr(components, "believed", believed)
    none = np.zeros((0, 2), np.float32)
    points = Keypoints("a", none.astype(float), none[:, 0], none[:, 0], none, 1)
    looks = tuple(PieceView(points, Sight(none, 1.0), detail) for detail in pair)
    context = SimpleNamespace(settings=SurveySettings())
    got = components._by_grain(context, looks, pair, 1.0)  # type: ignore[arg-type]
    assert (got is not None and got.weak) is linked
