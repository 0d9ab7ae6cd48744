"""I check that patches of a measured card tell how light falls off over the card."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from photos.targets.test_contrast import taken

from stitchbed.photos.plane.survey import survey_plane
from stitchbed.photos.survey.photo import opened
from stitchbed.photos.survey.plane_types import Asked
from stitchbed.photos.targets.card_light import FEWEST_PATCHES, light_on_patches
from stitchbed.photos.targets.pairing import card_on, pair_own


def test_the_light_on_patches_is_found_and_not_from_a_few(tmp_path: Path) -> None:
    """The scene's light is 1 at its left rim and .6 at its right one, its logarithm even in between."""
    path, table, _, _ = taken(tmp_path, curve=0.0)
    with opened([path]) as (photos, _):
        plane = survey_plane(photos, Asked(printed_mm=(160.0, 160.0)))
        pair = pair_own(photos[0], card_on(plane.seen[0], plane.fit, 0), table)
        got = light_on_patches(pair, plane, 0)
        assert got is not None and pair.middles is not None
        true = 0.6 ** (pair.middles[:, 0] / photos[0].size[1])
        assert got / got.mean() == pytest.approx(true / true.mean(), abs=0.012)
        few = slice(0, FEWEST_PATCHES - 1)
        less = replace(pair, names=pair.names[few], light=pair.light[few], lab=pair.lab[few], middles=pair.middles[few])
        assert light_on_patches(less, plane, 0) is None
        scattered = np.random.default_rng(1).permutation(len(pair.light))
        assert light_on_patches(replace(pair, light=pair.light[scattered]), plane, 0) is None
