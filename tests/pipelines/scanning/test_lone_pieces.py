"""I check that a mirrored piece is told as such, and that what only it holds is not blamed."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import tifffile
from made_evidence import evidence

from stitchbed.imaging.transfer import transfer_of
from stitchbed.inspection.checks.lying import _overlaps
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.survey.judgment import BeliefSettings
from stitchbed.pipelines.check import _see
from stitchbed.pipelines.scanning.laying import laid_as_joined
from stitchbed.pipelines.scanning.lone_pieces import held_by_mirrored
from stitchbed.pipelines.scanning.seen import link_between
from stitchbed.reading.intake import take_in


def _row(seed: int) -> list[np.ndarray]:
    """Four pieces of a row of scribbles, 90 px shared."""
    rng = np.random.default_rng(seed)
    sheet = np.full((320, 1030), 235, np.uint8)
    for _ in range(300):
        at = rng.uniform((0, 0), (1030, 320)) + np.cumsum(rng.normal(0, 9, (6, 2)), axis=0)
        cv2.polylines(sheet, [at.round().astype(np.int32)], False, int(rng.uniform(20, 120)), 2, cv2.LINE_AA)
    noisy = np.clip(sheet + rng.normal(0, 1.0, sheet.shape), 0, 255).astype(np.uint8)
    return [noisy[:, 235 * k : 235 * k + 325].copy() for k in range(4)]


def _layout(*names: str) -> Layout:
    return Layout(names[0], {name: np.eye(3) for name in names}, (), ())


def test_of_a_row_with_one_mirrored_piece_the_one_that_it_alone_holds_is_told_apart(tmp_path: Path) -> None:
    pieces = _row(3)
    pieces[2] = np.ascontiguousarray(pieces[2][:, ::-1])
    for number, pixels in enumerate(pieces):
        tifffile.imwrite(tmp_path / f"{number}.tif", pixels, resolution=(150, 150), resolutionunit="INCH")
    tiles, _ = take_in(sorted(tmp_path.glob("*.tif")), memory=2**28)
    seen = [_see(tile, transfer_of(None), 2**28) for tile in tiles]
    looks, views = [one.look for one in seen], [one.at(150.0) for one in seen]
    layouts = [_layout("0.tif", "1.tif"), _layout("2.tif"), _layout("3.tif")]
    with ThreadPoolExecutor(2) as pool:
        held = held_by_mirrored(tiles, looks, views, (layouts, frozenset({"2.tif"})), pool)
    assert held == {"3.tif": "2.tif"}
    link = link_between((views[0], views[1]), (1.0,), BeliefSettings())
    assert link is not None
    laid, mirrored = laid_as_joined(tiles, views, [link], profile=None, memory=2**28, workers=2)
    assert set(laid[0].sheet_from_tile) == {"0.tif", "1.tif"} and mirrored == {"2.tif"}


def test_what_only_a_mirrored_piece_holds_is_to_be_kept() -> None:
    layouts = [_layout("0", "1"), _layout("2"), _layout("3")]
    seen = evidence(4, layouts=layouts, mirrored=frozenset("2"), beside_mirrored={"3": "2"})
    assert [(index, one.fault, one.level) for index, one in _overlaps(seen) if index > 1] == [
        (2, "mirrored", "redo"),
        (3, "beside mirrored", "note"),
    ]
