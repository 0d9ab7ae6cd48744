"""I check how places are measured where pieces share little that lies flat."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import truth

from stitchbed.imaging.transfer import transfer_of
from stitchbed.imaging.transforms import similarity_matrix
from stitchbed.mosaic.photometry.lift import Lift
from stitchbed.mosaic.registration.placement import Placement, to_sheet
from stitchbed.mosaic.registration.tie_points import Ties, chosen
from stitchbed.mosaic.survey import refine
from stitchbed.mosaic.survey.context import Kind, SurveyContext, SurveySettings, declared_dpi
from stitchbed.mosaic.survey.layout import lay_pieces, one_layout
from stitchbed.mosaic.survey.refine import Measured, measure_places, measure_ties
from stitchbed.mosaic.survey.survey import link_all, preview_all
from stitchbed.reading.intake import take_in
from stitchbed.reading.shelf import Shelf

SETTINGS = SurveySettings()
KIND = Kind(3, "uint8", None, transfer_of(None))


def _measured(
    paths: list[Path],
    *,
    lifted: bool,
    first: Callable[[list[Placement]], list[Placement]] = list,
    checked: bool = True,
    **changes: object,
) -> Measured:
    """Places of `paths`, every cell of every piece said to be lifted or flat. first : what is done to first places.
    checked : by loops of links."""
    tiles, _ = take_in(paths)
    dpi, _ = declared_dpi(tiles, SETTINGS.default_dpi)
    with Shelf(tiles, 2**28) as shelf:
        context = SurveyContext(tuple(tiles), dpi, shelf, KIND, replace(SETTINGS, **changes))
        previews = preview_all(context)
        links, none = link_all(context, previews)
        layout, _ = one_layout(context, previews, lay_pieces(context, previews, links), none)
        places = [Placement(t.name, t.raster.shape[:2], layout.sheet_from_tile[t.name]) for t in context.tiles]
        places = first(places)
        mask = np.full((2, 2), lifted)
        lifts = [Lift(p.tile, mask, float(max(p.size)), 0.2 * lifted, 0.2 * mask) for p in places]
        sizes, loops = {p.tile: 1.0 for p in places}, {p.tile: 0 for p in places if checked}
        return measure_places(context, previews, places, sizes, find_lifts=lambda _: lifts, looped=loops)


def test_pieces_that_lie_flat_nowhere_together_are_placed_by_lifted_ties_and_named(pieces: list[Path]) -> None:
    flat, lifted = (_measured(pieces, lifted=lifted) for lifted in (False, True))
    assert flat.warnings == () and any("piece_02.tif" in w and "edges that lift" in w for w in lifted.warnings)
    corner = np.array([[0.0, 0.0]])
    off = to_sheet(flat.places[1], corner) - to_sheet(lifted.places[1], corner)
    assert np.abs(off).max() < 0.5


def test_pieces_without_a_single_tie_are_placed_by_their_links_and_named(pieces: list[Path]) -> None:
    found = _measured(pieces, lifted=False, ties=replace(SETTINGS.ties, least_correlation=1.1))
    assert found.ties is not None and len(found.ties.a) == 0
    assert len(found.warnings) == 1 and "placed by links only" in found.warnings[0]  # and by no edges that lift
    corner = np.array([[0.0, 0.0]])
    off = to_sheet(_measured(pieces, lifted=False).places[1], corner) - to_sheet(found.places[1], corner)
    assert np.abs(off).max() < 2


def test_what_the_overlaps_do_not_show_is_counted(pieces: list[Path]) -> None:
    """With hardly any ties the bed stays at zero, and what that may hide is in the estimate."""
    found = _measured(pieces, lifted=False, ties=replace(SETTINGS.ties, per_pair=20))
    assert found.numbers["travel_seen"] == 0
    assert found.numbers["error_px"] > found.numbers["error_px_axes_known"] > found.numbers["rms_px"] > 0


@pytest.mark.parametrize(("shared", "measured"), [(50, True), (36, False)])
def test_narrow_overlaps_of_few_dpi_are_measured_where_they_are_no_mere_edges(
    tmp_path: Path, shared: int, measured: bool
) -> None:
    """At 100 dpi no window of the usual size has room in 13 mm; half of one has. In 9 mm sheets may lift all along."""
    shape = (300, 360)
    sheet = truth.paint_sheet(340, 760, 3)
    poses = [similarity_matrix(np.array([1.0, 0.0, 12 + k * (360 - shared), 14.0])) for k in range(2)]
    found = _measured(truth.write_set(tmp_path, truth.cut_tiles(sheet, poses, shape=shape), 100.0), lifted=False)
    assert found.ties is not None and (len(found.ties.a) >= 12) == measured
    assert any("placed by links only" in words for words in found.warnings) != measured
    if measured:
        right, left = (one.sheet_from_tile[:2, 2] for one in found.places[::-1])
        assert np.abs(right - left - (360 - shared, 0)).max() < 0.1


def test_rows_that_no_place_ties_are_held_by_all_their_overlaps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Held by the nearest two pieces alone, a row would turn as far as the first place of one of them was turned."""
    corners = np.array([(230.0 * k, 240.0 * row) for row in range(2) for k in range(4)])
    poses = [similarity_matrix(np.array([1.0, 0.0, x + 12, y + 14])) for x, y in corners]
    cut = truth.cut_tiles(truth.paint_sheet(600, 1020, 5), poses, shape=(300, 300))

    def of_rows(*given: Any) -> Ties:
        ties = measure_ties(*given)
        return chosen(ties, ties.a // 4 == ties.b // 4)

    def turned(places: list[Placement]) -> list[Placement]:
        turns = 0.01 * np.array([0, 0, 0, 0, 1, -1, 1, -1])
        matrices = [similarity_matrix(np.array([np.cos(a), np.sin(a), 0, 0])) for a in turns]
        for matrix, corner in zip(matrices, corners, strict=True):
            matrix[:2, 2] = corner + 150 - matrix[:2, :2] @ (150, 150)
        return [replace(place, sheet_from_tile=matrix) for place, matrix in zip(places, matrices, strict=True)]

    monkeypatch.setattr(refine, "measure_ties", of_rows)
    paths, off = truth.write_set(tmp_path, cut, 150.0), {}
    for checked in (True, False):
        found = _measured(paths, lifted=False, first=turned, checked=checked)
        off[checked] = np.array([to_sheet(place, np.zeros((1, 2)))[0] for place in found.places]) - corners
    assert np.abs(off[True]).max() < 1 < np.abs(off[False]).max()  # what no loop checks holds no more than it must
