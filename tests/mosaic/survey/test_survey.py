"""I check the first half of a join: what the survey finds, what each part can be switched off for, and what it says."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import joined
import numpy as np
import pytest
import truth

from stitchbed.core.errors import CanvasTooLarge, Disconnected
from stitchbed.imaging.transfer import transfer_of
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.mosaic.result.record import survey_record
from stitchbed.mosaic.survey.components import demand_whole
from stitchbed.mosaic.survey.context import Kind, SurveyContext, SurveySettings, declared_dpi
from stitchbed.mosaic.survey.refine import bed_groups
from stitchbed.mosaic.survey.scales import agreed_scales, canvas_dpi, sheet_dpi
from stitchbed.mosaic.survey.survey import link_all, preview_all, survey
from stitchbed.reading.base.tile import Raster, Tile
from stitchbed.reading.intake import take_in
from stitchbed.reading.shelf import Shelf

SETTINGS = SurveySettings()
KIND = Kind(3, "uint8", None, transfer_of(None))


@contextmanager
def _context(paths: list[Path], **changes: object) -> Iterator[SurveyContext]:
    tiles, _ = take_in(paths)
    dpi, _ = declared_dpi(tiles, SETTINGS.default_dpi)
    with Shelf(tiles, 2**28) as shelf:
        yield SurveyContext(tuple(tiles), dpi, shelf, KIND, replace(SETTINGS, **changes))


def test_a_survey_ends_in_a_plan_of_all_tiles(pieces: list[Path]) -> None:
    seen = []
    with _context(pieces) as context:
        found = survey(replace(context, progress=lambda step, done, total: seen.append((step, done, total))))
    assert [place.tile for place in found.plan.places] == ["piece_01.tif", "piece_02.tif"]
    assert [tile.name for tile in found.plan.tiles] == [level.tile for level in found.plan.levels]
    assert [record.step for record in found.steps] == ["look", "links", "layout", "measure", "plan"]
    assert found.alignment is not None and found.ties is not None and len(found.ties.a) > 60
    assert found.alignment.rms < 0.1 and found.no_links == () and found.layout.dropped == ()
    assert {"looking at pieces", "comparing pieces", "measuring"} <= {step for step, _, _ in seen}
    assert all(0 < done <= total for _, done, total in seen)
    assert set(np.unique(found.plan.seams.labels)) >= {0, 1}


def test_the_record_says_where_pieces_may_lie_wrongly_for_what_they_show(
    pieces: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    for words in ([], ["pieces that show different things"]):
        monkeypatch.setattr("stitchbed.mosaic.survey.survey.overlap_words", lambda *_, told=words: told)
        with _context(pieces) as context:
            found = survey(context)
        assert survey_record(found, found.plan)["accuracy"]["placed_surely"] == (not words)
        assert set(words) <= set(found.warnings)


def test_parts_can_be_left_out_to_see_what_they_earn(pieces: list[Path]) -> None:
    """Without leveling, lift, dust, bed and fields, a clean pair comes out as with them."""
    bare = replace(SETTINGS.alignment, solve_bed=False)
    with _context(
        pieces, find_lift=False, solve_levels=False, solve_fields=False, find_dust=False, alignment=bare
    ) as context:
        found = survey(context)
    assert all(level.plain for level in found.plan.levels) and not any(lift.any for lift in found.lifts)
    assert found.plan.spots == () and all(place.warp is None for place in found.plan.places)
    assert found.alignment is not None and dict(found.alignment.beds) == {} and found.alignment.rms < 0.1


def test_a_lone_piece_needs_no_survey(pieces: list[Path]) -> None:
    with _context(pieces[:1]) as context:
        found = survey(context)
    assert found.alignment is None and found.ties is None
    assert np.array_equal(found.plan.places[0].sheet_from_tile, np.eye(3)) and found.plan.levels[0].plain


def test_a_piece_that_says_a_wrong_dpi_is_seen_as_the_others_are(pieces: list[Path]) -> None:
    """Light compared by cells of other millimeters makes lines look as if the sheet left the glass there."""
    with _context(pieces) as context:
        found = survey(replace(context, dpi=context.dpi * (1, 1.25)))
    assert any(words.startswith("piece_02.tif: the file's dpi does not fit") for words in found.warnings)
    one, two = found.smalls
    assert one.cell == two.cell and one.light.shape == two.light.shape
    assert found.alignment is not None and len(found.alignment.beds) == 1


def test_a_canvas_past_the_limit_is_refused(pieces: list[Path]) -> None:
    with _context(pieces, max_megapixels=0.1) as context, pytest.raises(CanvasTooLarge, match="--max-megapixels"):
        survey(context)


def test_glances_are_small_and_links_are_values(pieces: list[Path]) -> None:
    with _context(pieces) as context:
        previews = preview_all(context)
        links, no_links = link_all(context, previews)
    assert [preview.keypoints.tile for preview in previews] == ["piece_01.tif", "piece_02.tif"]
    assert len(links) == 1 and isinstance(links[0], Link) and no_links == []


def _with_blank_overlap(folder: Path, grain: float, noise: float) -> tuple[list[Path], np.ndarray]:
    """Two pieces whose overlap holds nothing but paper; and the true motion from the second to the first."""
    sheet = truth.paint_sheet(300, 620, 31, blank=(0.3, 0.7), grain=grain)
    poses = [truth.pose(179.5, 149.5, 0.0, shape=joined.SMALL), truth.pose(440, 149.5, 0.4, shape=joined.SMALL)]
    tiles = truth.cut_tiles(sheet, poses, shape=joined.SMALL, faults=truth.Faults(noise=noise))
    return truth.write_set(folder / "p", tiles, joined.DPI), np.linalg.inv(poses[0]) @ poses[1]


def test_pieces_are_joined_by_the_grain_of_blank_paper(tmp_path: Path) -> None:
    paths, true = _with_blank_overlap(tmp_path, grain=0.012, noise=0.0)
    with _context(paths) as context:
        found = survey(context)
    one, two = (place.sheet_from_tile for place in found.plan.places)
    relative = np.linalg.inv(one) @ two
    corners = np.array([[0, 0, 1], [359, 0, 1], [359, 299, 1], [0, 299, 1]], float).T
    assert np.abs((relative @ corners - true @ corners)[:2]).max() < 0.3  # px, far beyond the overlap of 100 px
    weak = any(link.weak for link in found.layout.links)
    assert weak == any("weak links" in warning for warning in found.warnings)


def test_paper_without_grain_joins_nothing_and_is_named(tmp_path: Path) -> None:
    paths, _ = _with_blank_overlap(tmp_path, grain=0.0, noise=0.006)
    with _context(paths) as context, pytest.raises(Disconnected, match="none of the 2 pieces overlaps another"):
        survey(context)


def _tile(name: str, dpi: tuple[float, float] | None, shape: tuple[int, int, int] = (400, 500, 3)) -> Tile:
    return Tile(name, Path(f"/nowhere/{name}"), name, Raster(shape, "uint8", 8, None, dpi, True))


def test_silent_files_take_the_others_dpi_and_say_so() -> None:
    tiles = [_tile("a", (300, 300)), _tile("b", None), _tile("c", (300, 301))]
    values, warnings = declared_dpi(tiles, 200.0)
    assert values.tolist() == [300, 300.25, 300.5]
    assert len(warnings) == 1 and warnings[0].startswith("b: no dpi in the file; 300 dpi taken as the other pieces")
    values, warnings = declared_dpi([_tile("a", None)], 200.0)
    assert values.tolist() == [200] and "for want of better" in warnings[0]
    values, warnings = declared_dpi([_tile("a", None), _tile("b", None, (1750, 1240, 3))], None)
    assert values.tolist() == [150, 150] and "as for a bed about as long as an A4 sheet" in warnings[0]
    assert declared_dpi([_tile("a", (72, 72))], 200.0)[1] == []


def test_tiles_of_one_size_and_dpi_share_a_bed() -> None:
    tiles = (
        _tile("a", (300, 300)),
        _tile("b", (300, 300), (402, 498, 1)),
        _tile("c", (600, 600)),
        _tile("d", (300, 300), (500, 400, 3)),
    )
    context = SurveyContext(tiles, np.array([300.0, 300.0, 600.0, 300.0]), None, KIND, SETTINGS)  # type: ignore[arg-type]
    assert bed_groups(context) == [0, 0, 1, 2]


def test_the_canvas_takes_the_finest_dpi_that_covers_most_of_the_sheet() -> None:
    """Four pieces in a row without overlap, each 100 mm wide; the sheet's pixels are of 150 dpi."""

    def row(*dpi: float) -> tuple[float, list[str]]:
        places = []
        for k, own in enumerate(dpi):
            side = round(100 * own / 25.4)
            scale = 150 / own
            places.append(Placement(f"t{k}", (side, side), np.array([[scale, 0, k * 590.6], [0, scale, 0], [0, 0, 1]])))
        return canvas_dpi(places, np.array(dpi), 150.0)

    assert row(150, 150, 151, 149) == (150.0, [])
    value, (words,) = row(300, 150, 300, 301)
    assert value == 300 and "the pieces have 300 and 150 dpi; the result has 300" in words
    assert re.search("2[456] % of it was seen at fewer dpi only", words)
    value, (words,) = row(150, 300, 150, 150)
    assert value == 150 and re.search("on 2[456] % of it is left out", words) and "softer" not in words
    assert row(600, 300, 300, 150)[0] == 300


def _layout(scale: float) -> Layout:
    return Layout("a", {"a": np.eye(3), "b": np.diag([scale, scale, 1.0])}, (), ())


@pytest.mark.parametrize(
    ("found", "believed", "said"), [(1.002, 1.0, 0), (0.996, 1.0, 0), (1.05, 1.05, 1), (0.5, 0.5, 1)]
)
def test_dpi_is_believed_until_the_picture_says_otherwise(found: float, believed: float, said: int) -> None:
    scales, warnings = agreed_scales(_layout(found), {"a": 1.0, "b": 1.0})
    assert scales == {"a": 1.0, "b": pytest.approx(believed)} and len(warnings) == said
    assert all(warning.startswith("b: the file's dpi does not fit") for warning in warnings)


def test_a_piece_whose_dpi_is_belied_has_that_of_a_piece_of_its_size() -> None:
    layout = Layout("a", {name: np.diag([size, size, 1.0]) for name, size in zip("abc", (1, 0.996, 0.5))}, (), ())
    scales, warnings = agreed_scales(layout, {"a": 1.0, "b": 0.8, "c": 0.8})
    assert scales == {"a": 1.0, "b": 1.0, "c": 0.5} and len(warnings) == 2


def test_islands_are_an_error_or_a_warning() -> None:
    one = Layout("a", {"a": np.eye(3), "b": np.eye(3)}, (), ())
    two = Layout("c", {"c": np.eye(3)}, (), ())
    assert demand_whole([one], [], ["a", "b"], allow_missing=False) == (one, [])
    layout, warnings = demand_whole([one, two], [], ["a", "b", "c"], allow_missing=True)
    assert layout is one and warnings[0].startswith("left out, not placed: c.")
    with pytest.raises(Disconnected, match="1 of 3 pieces could not be placed: c"):
        demand_whole([one, two], [], ["a", "b", "c"], allow_missing=False)
    with pytest.raises(Disconnected, match="none of the 2 pieces overlaps"):
        demand_whole([replace_names(two, "a"), two], [], ["a", "c"], allow_missing=False)


def test_a_piece_of_bare_paper_is_left_out_and_told() -> None:
    one = Layout("a", {"a": np.eye(3), "b": np.eye(3)}, (), ())
    paper, drawn = (Layout(name, {name: np.eye(3)}, (), ()) for name in ("c", "d"))
    layout, (words,) = demand_whole([one, paper], [], ["a", "b", "c"], allow_missing=False, bare=["c"])
    assert layout is one and words.startswith("left out, for nothing but paper is to be seen on it") and ": c." in words
    with pytest.raises(Disconnected, match=r"c, d.*c is nearly of one tone, as bare paper is"):
        demand_whole([one, paper, drawn], [], ["a", "b", "c", "d"], allow_missing=False, bare=["c"])


def replace_names(layout: Layout, name: str) -> Layout:
    """The layout with its one tile renamed."""
    return replace(layout, reference=name, sheet_from_tile={name: np.eye(3)})


def test_most_pieces_say_what_the_sheets_dpi_is() -> None:
    """Four pieces of true scale 1, 1, 1, .5: whoever disagrees with the others is not asked, not even the reference."""
    layout = Layout("a", {"a": np.eye(3), "b": np.eye(3), "c": np.eye(3), "d": np.diag([0.5, 0.5, 1.0])}, (), ())
    assert sheet_dpi(layout, {"a": 300.0, "b": 300.0, "c": 300.0, "d": 600.0}) == 300
    assert sheet_dpi(layout, {"a": 200.0, "b": 300.0, "c": 300.0, "d": 600.0}) == 300
    assert sheet_dpi(layout, {"a": 200.0, "b": 300.0, "c": 240.0, "d": 480.0}) == 240
    two = Layout("a", {"a": np.eye(3), "b": np.eye(3)}, (), ())
    assert sheet_dpi(two, {"a": 200.0, "b": 300.0}) == 200  # in doubt, the reference
