"""I check which pieces are laid out together where single links alone are not believed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import truth

from stitchbed.imaging.transfer import transfer_of
from stitchbed.imaging.transforms import between, similarity_matrix
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.survey import layout as laying
from stitchbed.mosaic.survey.context import Kind, SurveyContext, SurveySettings, declared_dpi
from stitchbed.mosaic.survey.survey import link_all, preview_all
from stitchbed.reading.intake import take_in
from stitchbed.reading.shelf import Shelf

KIND = Kind(3, "uint8", None, transfer_of(None))
STEP = (230, 240)


def _layouts(paths: list[Path]) -> tuple[Layout, ...]:
    tiles, _ = take_in(paths)
    dpi, _ = declared_dpi(tiles, SurveySettings().default_dpi)
    with Shelf(tiles, 2**28) as shelf:
        context = SurveyContext(tuple(tiles), dpi, shelf, KIND, SurveySettings())
        previews = preview_all(context)
        return laying.lay_pieces(context, previews, link_all(context, previews)[0]).layouts


@pytest.mark.parametrize("alien", [False, True])
def test_a_piece_that_a_few_motifs_do_not_hold_is_laid_by_all_that_it_shares(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, alien: bool
) -> None:
    """Each link alone may lie on another copy of a motif; all that it shares with the others fits at one place only."""
    corners = np.array([(STEP[0] * (k % 2), STEP[1] * (k // 2)) for k in range(4)], float)
    poses = [similarity_matrix(np.array([1.0, 0.0, x + 12, y + 14])) for x, y in corners]
    cut, other = (truth.cut_tiles(truth.paint_sheet(600, 600, k), poses, shape=(300, 300)) for k in (5, 6))
    paths = truth.write_set(tmp_path, [*cut[:3], (other if alien else cut)[3]], 150.0)
    last = paths[3].name

    def its_links(layout: Layout, *_: Any) -> Sequence[Link]:
        return [item for item in layout.links if last in (item.a, item.b)]

    monkeypatch.setattr(laying, "held_by_motifs", its_links)
    layouts = _layouts(paths)
    assert len(layouts) == (2 if alien else 1)
    if not alien:
        places = layouts[0].sheet_from_tile
        off = between(places[last], places[paths[0].name])[:2, 2] - (corners[3] - corners[0])
        assert np.abs(off).max() < 3
