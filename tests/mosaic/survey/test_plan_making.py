"""I check the plan of two pieces: whole numbers of it against the pieces, and what is left out when nobody wants it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import joined
import numpy as np
import pytest
import truth

from stitchbed.core.errors import CanvasTooLarge
from stitchbed.imaging.transfer import transfer_of
from stitchbed.mosaic.compositing.seams import NOBODY
from stitchbed.mosaic.hints.sizes import Sized
from stitchbed.mosaic.photometry.gain_compensation import no_gain
from stitchbed.mosaic.photometry.judged_light import Light
from stitchbed.mosaic.photometry.lift import Lift
from stitchbed.mosaic.registration.placement import Placement, to_sheet
from stitchbed.mosaic.survey.context import Kind, SurveyContext, SurveySettings, declared_dpi
from stitchbed.mosaic.survey.plan_making import judged_light, make_plan, promoted, specks_of
from stitchbed.mosaic.survey.preview import Preview
from stitchbed.mosaic.survey.refine import Measured
from stitchbed.mosaic.survey.survey import preview_all
from stitchbed.reading.intake import take_in
from stitchbed.reading.shelf import Shelf

SIZE = Sized()
Begun = tuple[SurveyContext, list[Preview], Measured]


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Begun]:
    """Two pieces, looked at and placed by the motion they were cut with."""
    _, cut = joined.pair()
    paths = truth.write_set(tmp_path_factory.mktemp("pieces"), cut, joined.DPI)
    tiles, _ = take_in(paths)
    settings = SurveySettings()
    dpi, _ = declared_dpi(tiles, settings.default_dpi)
    with Shelf(tiles, 2**28) as shelf:
        context = SurveyContext(tuple(tiles), dpi, shelf, Kind(3, "uint8", None, transfer_of(None)), settings)
        back = np.linalg.inv(cut[0].sheet_from_tile)
        places = tuple(
            Placement(t.name, t.raster.shape[:2], back @ c.sheet_from_tile) for t, c in zip(tiles, cut, strict=True)
        )
        yield context, list(preview_all(context)), measured(places, float(joined.DPI))


def measured(places: tuple[Placement, ...], dpi: float) -> Measured:
    """Places as if they had been measured; of the rest nothing is asked."""
    nothing: dict[str, Any] = dict.fromkeys(Measured.__dataclass_fields__)
    return Measured(**{**nothing, "places": places, "dpi": dpi, "warnings": (), "numbers": {}})


def test_a_plan_holds_every_piece_where_it_was_placed(begun: Begun) -> None:
    context, previews, found = begun
    plan, lifts, _, changes, words = make_plan(context, previews, found, SIZE)
    assert [place.tile for place in plan.places] == [tile.name for tile in context.tiles]
    corners = np.array([[0.0, 0.0], [200.0, 100.0]])
    moves = [to_sheet(p, corners) for p in plan.places], [to_sheet(p, corners) for p in found.places]
    apart = [(one[1] - one[0]).ravel() for one in moves]
    assert np.hypot(*apart[0][:2]) == pytest.approx(np.hypot(*apart[1][:2]), abs=0.01)  # a turn and a shift alone
    assert plan.canvas.dpi == pytest.approx(joined.DPI)
    assert set(np.unique(plan.seams.labels)) - {NOBODY} == {0, 1}
    shape = plan.seams.labels.shape
    assert shape == (-(-plan.canvas.height // plan.seams.cell), -(-plan.canvas.width // plan.seams.cell))
    assert len(plan.levels) == len(lifts) == 2 and not changes
    assert not any("leaves the glass" in word for word in words)


def test_a_lift_is_told_where_it_is_shown_and_takes_light_that_tells(
    begun: Begun, monkeypatch: pytest.MonkeyPatch
) -> None:
    context, previews, found = begun

    def told(loss: float) -> list[str]:
        def lifted(*about: Any) -> Light:
            light = judged_light(*about)
            height, width = context.tiles[0].raster.shape[:2]
            mask = np.ones((-(-height // 20), -(-width // 20)), bool)
            lift = Lift(context.tiles[0].name, mask, 20.0, loss, np.full(mask.shape, loss))
            return replace(light, lifts=[lift, *light.lifts[1:]])

        monkeypatch.setattr("stitchbed.mosaic.survey.plan_making.judged_light", lifted)
        return [word for word in make_plan(context, previews, found, SIZE)[-1] if "leaves the glass" in word]

    assert len(told(0.1)) == 1 and context.tiles[0].name in told(0.1)[0]
    assert told(0.02) == []  # as much as a lamp changes by


def test_what_is_not_wanted_is_not_sought(begun: Begun) -> None:
    context, previews, found = begun
    off = replace(context, settings=replace(context.settings, solve_levels=False, find_dust=False, find_lift=False))
    plan, lifts, *_ = make_plan(off, previews, found, SIZE)
    assert plan.spots == () and not any(lift.any for lift in lifts)
    for level, tile in zip(plan.levels, context.tiles, strict=True):
        same = no_gain(tile.name, 3)
        assert level.plain and level.tile == same.tile and np.array_equal(level.gain, same.gain)
    alone: Any = (plan.places[:1], lifts[:1], plan.seams)
    assert specks_of(context, previews[:1], alone, plan.canvas) == []  # nobody else saw the place


def test_a_darker_piece_is_leveled_to_its_neighbor(begun: Begun) -> None:
    context, previews, found = begun
    plan, *_ = make_plan(context, previews, found, SIZE)
    small = previews[1].small
    darker = [previews[0], replace(previews[1], small=replace(small, light=(0.8 * small.light).astype(np.float32)))]
    plain = judged_light(context, previews, plan.places, plan.canvas).levels
    levels = judged_light(context, darker, plan.places, plan.canvas).levels
    ratio = [one[1].gain / one[0].gain for one in (plain, levels)]
    assert ratio[1] / ratio[0] == pytest.approx(np.full(3, 1 / 0.8), rel=0.03)


def test_gray_small_pictures_are_given_the_master_s_channels(begun: Begun) -> None:
    context, previews, _ = begun
    gray = [replace(one, small=replace(one.small, light=one.small.light[..., :1], mixed=one.small.mixed[..., :1]))
            for one in previews]  # fmt: skip
    for small, one in zip(promoted(context, gray), gray, strict=True):
        assert small.light.shape[2] == small.mixed.shape[2] == 3
        assert all(np.array_equal(small.light[..., k], one.small.light[..., 0]) for k in range(3))
    assert promoted(context, previews)[0].light is previews[0].small.light


def test_the_canvas_may_not_pass_the_megapixels(begun: Begun, tmp_path: Path) -> None:
    context, previews, found = begun
    tiny = replace(context, settings=replace(context.settings, max_megapixels=0.01))
    with pytest.raises(CanvasTooLarge):
        make_plan(tiny, previews, found, SIZE)
