"""I check that patches of a measured card tell how light falls off over it, and that it is said to be carried on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from photos.targets.test_contrast import taken

from stitchbed.photos.compositing.illumination import light_at
from stitchbed.photos.geometry.output_frame import plane_from_canvas
from stitchbed.photos.geometry.plane_pose import photo_from_plane
from stitchbed.photos.survey.illumination import UNTOLD
from stitchbed.photos.survey.photo import opened
from stitchbed.photos.survey.plane import survey_plane
from stitchbed.photos.survey.plane_types import Asked
from stitchbed.photos.targets.card_light import CARRIED_ON, carried_on, light_by_patches


def test_light_is_carried_on_from_the_card_and_that_is_said(tmp_path: Path) -> None:
    """The scene's light is 1 at its left rim and .6 at its right one, its logarithm even in between."""
    path, table, _, _ = taken(tmp_path, curve=0.0)
    with opened([path]) as (photos, _):
        plane = survey_plane(photos, Asked(printed_mm=(160.0, 160.0)))
        untold = UNTOLD.format(name="photo.tif")
        (field,), notes = carried_on(photos, plane, table, ([None], ["another note", untold]))
        assert field is not None and notes == ["another note", CARRIED_ON.format(name="photo.tif")]
        work = light_by_patches(photos[0], plane, 0, table)
        assert work is not None
        grid = np.stack(np.meshgrid(np.linspace(0, plane.work.width, 9), np.linspace(0, plane.work.height, 7)), -1)
        at = photo_from_plane(plane.fit, 0, plane_from_canvas(plane.work, grid.reshape(-1, 2)))
        true = 0.6 ** (at[:, 0] / photos[0].size[1])
        got = light_at(work, grid.reshape(-1, 2)).mean(1)
        assert got / got.mean() == pytest.approx(true / true.mean(), abs=0.012)
        kept, same = carried_on(photos, plane, table, ([field], ["a note"]))
        assert kept == (field,) and same == ["a note"]
        bare = replace(plane, seen=((),))
        assert carried_on(photos, bare, table, ([None], [untold])) == ((None,), [untold])
