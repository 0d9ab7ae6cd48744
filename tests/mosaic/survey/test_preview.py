"""I check what is kept of a reduced view, and that it does not depend on the bands it is read in."""

from __future__ import annotations

from contextlib import nullcontext

import cv2
import numpy as np
import pytest

from stitchbed.core.errors import CanvasTooLarge
from stitchbed.imaging.transfer import srgb_decode, transfer_of
from stitchbed.matching.features import FeatureSettings
from stitchbed.matching.overlap_evidence import EvidenceSettings
from stitchbed.mosaic.compositing.dust_by_overlap import SpeckSettings
from stitchbed.mosaic.survey import preview as previews
from stitchbed.mosaic.survey.preview import (
    Preview,
    PreviewSettings,
    PreviewStages,
    demand_looks,
    look_reductions,
    preview_of,
)
from stitchbed.reading.base.header import Header, Stored
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.windows import Windows

STAGES = PreviewStages(PreviewSettings(), FeatureSettings(), SpeckSettings(), EvidenceSettings())
PX_PER_MM = 8.0  # of the full picture
REDUCTIONS = (1, 2)
DOT = (333, 222)  # px


def drawn() -> np.ndarray:
    """(480, 640, 3) strokes on paper, and one small dot far from them."""
    rng = np.random.default_rng(1)
    sheet = np.full((480, 640, 3), 215, np.uint8)
    for _ in range(40):
        points = rng.uniform((20, 20), (280, 460), (2, 2)).astype(np.int32)
        cv2.line(sheet, *map(tuple, points.tolist()), (60, 70, 80), 3, cv2.LINE_AA)
    cv2.circle(sheet, DOT, 1, (90, 90, 90), -1)
    return np.clip(sheet + rng.normal(0, 0.7, sheet.shape), 0, 255).astype(np.uint8)


def looked(pixels: np.ndarray, *, gray: bool = False) -> Preview:
    """A look at that picture."""
    view = pixels[..., :1] if gray else pixels
    stored = Stored(*view.shape, "uint8", (64, 64), lambda box: view[box.slices], lambda: None)
    header = Header(Raster(view.shape, "uint8", 8, None, None, True), 1, False, None)
    with Windows(header, stored) as fine:
        return preview_of(
            "a", fine, REDUCTIONS, px_per_mm=PX_PER_MM, transfer=transfer_of(None), stages=STAGES, in_turn=nullcontext()
        )


def test_bands_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = looked(drawn())
    monkeypatch.setattr(previews, "BAND_PX", 640 * 37)
    banded = looked(drawn())
    assert np.array_equal(banded.keypoints.xy, whole.keypoints.xy)
    assert np.allclose(banded.marks.xy, whole.marks.xy) and np.allclose(banded.marks.contrast, whole.marks.contrast)
    for name in ("strokes", "tones"):
        one, two = getattr(banded.detail, name), getattr(whole.detail, name)
        assert one.step == two.step and np.abs(one.pixels.astype(int) - two.pixels).max() <= 1
    assert np.allclose(banded.small.light, whole.small.light, atol=1e-6)
    assert np.allclose(banded.drawing.energy, whole.drawing.energy, atol=1e-4)


def test_places_are_those_of_the_full_picture() -> None:
    seen = looked(drawn())
    away = np.hypot(*(seen.marks.xy - DOT).T)
    assert away.min() < 0.5 and seen.marks.contrast[away.argmin()] < -60
    assert len(seen.keypoints.xy) > 20
    inside = (seen.keypoints.xy > 10) & (seen.keypoints.xy < (292, 472))
    assert inside.all(1).mean() > 0.95  # where the strokes are, but for the dot


def test_light_and_drawing_are_means_of_their_cells() -> None:
    seen = looked(drawn())
    cell = seen.small.cell
    assert cell == pytest.approx(PX_PER_MM, rel=0.3)  # a millimeter
    bare = seen.small.light[:, int(400 / cell) : int(600 / cell)]
    assert np.median(bare) == pytest.approx(float(srgb_decode(np.array(215 / 255))), abs=0.01)
    energy, step = seen.drawing.energy, seen.drawing.cell
    assert energy[:, int(400 / step) :].max() < 0.2 < np.median(energy[:, : int(250 / step)])


def test_gray_pictures_are_looked_at_alike() -> None:
    seen = looked(drawn(), gray=True)
    assert seen.small.light.shape[2] == 1 and len(seen.keypoints.xy) > 20


@pytest.mark.parametrize(
    ("shape", "dpi", "view_side", "look_dpi", "want"),
    [
        ((3500, 2500, 3), 300.0, 1000, 300.0, (1, 4)),
        ((7000, 5000, 3), 600.0, 1000, 300.0, (2, 8)),
        ((7000, 5000, 3), 599.0, 1000, 300.0, (2, 8)),  # what files say of their dpi is rounded
        ((500, 400, 3), 600.0, 1000, 300.0, (1, 1)),
    ],
)
def test_reductions_are_whole_and_multiples(
    shape: tuple[int, ...], dpi: float, view_side: int, look_dpi: float, want: tuple[int, int]
) -> None:
    fine, coarse = look_reductions(shape, dpi, view_side, look_dpi)
    assert coarse % fine == 0
    assert fine == want[0] and abs(coarse - want[1]) <= fine


def test_pieces_too_large_to_look_at_are_refused_with_what_they_need() -> None:
    """A sheet of 10 m2 takes 1,150 MB; a tag of 1 dpi makes no cell finer than a pixel."""
    ten, scale = [(20_000, 50_000, 3)], np.array([10.0])
    with pytest.raises(CanvasTooLarge, match=r"(?s)10\.0 square meters .*5\.7 within 500 MiB.*--memory 977MiB"):
        demand_looks(ten, scale, 500 * 2**20)
    demand_looks(ten, scale, 977 * 2**20)
    demand_looks([(1000, 1000, 3)], np.array([1 / 25.4]), 2**20)
