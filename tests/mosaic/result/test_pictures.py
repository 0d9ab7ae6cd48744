"""I check the two pictures beside a record: small, whole, told of, and never over an original."""

from __future__ import annotations

import json
from pathlib import Path

import joined
import numpy as np
import pytest
import truth
from PIL import Image

import stitchbed
from stitchbed.core.errors import UnreadableTile, WouldTouchOriginal
from stitchbed.core.kept import open_kept
from stitchbed.imaging.transfer import transfer_of
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.result.pictures import picture_paths, write_pictures
from stitchbed.mosaic.result.plan_file import kept_plan
from stitchbed.mosaic.survey.context import Kind
from stitchbed.reading.intake import take_in
from stitchbed.report.overlays import seam_path

Made = tuple[Path, Plan, dict[str, object], list[Path]]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A join of 2 x 2 pieces with dust on the glass, and the plan it left in its job folder."""
    folder = tmp_path_factory.mktemp("pictures")
    _, tiles = truth.make_set(2, 2, seed=4, faults=truth.Faults(dust=60, noise=0.004))
    paths = truth.write_set(folder / "pieces", tiles, joined.DPI)
    canvas = folder / "c.tif"
    stitchbed.join(paths, canvas, stitchbed.JoinSettings(workers=1, keep_job=True))
    record = json.loads((folder / "c.json").read_text())
    by_name = {tile.name: tile for tile in take_in(paths)[0]}
    kept = next((folder / ".c.tif.job").glob("*.plan"))
    with open_kept(kept) as (head, _):
        job = head["job"]
    kind = Kind(3, "uint8", truth.SRGB, transfer_of(truth.SRGB))
    found = kept_plan(kept, job, list(by_name.values()), kind)
    assert found is not None
    return canvas, found[0], record, paths


def test_both_are_written_and_told_of(made: Made) -> None:
    canvas, plan, record, paths = made
    before = joined.hashes_of([canvas, *paths])
    told = write_pictures(canvas, plan, record, originals=paths)
    names = {path.name for path in picture_paths(canvas)}
    assert names == set(told["pictures"].values()) <= {path.name for path in canvas.parent.iterdir()}
    for path in picture_paths(canvas):
        with Image.open(path) as picture:
            assert picture.format == "PNG" and max(picture.size) <= 2000
    with Image.open(canvas.with_name(told["seams"]["path"])) as picture:
        owners = np.asarray(picture)
    labels = plan.seams.labels
    assert np.array_equal(owners, np.where(labels == 65535, told["seams"]["nobody"], labels))
    assert told["seams"]["pieces"] == [path.name for path in paths]
    assert len(seam_path({"seams": told["seams"]}, canvas)) > 50
    assert joined.hashes_of([canvas, *paths]) == before
    assert not [path for path in canvas.parent.iterdir() if path.name.endswith(".partial")]


def test_the_same_record_gives_the_same_bytes(made: Made) -> None:
    canvas, plan, record, _ = made
    write_pictures(canvas, plan, record)
    first = joined.hashes_of(list(picture_paths(canvas)))
    write_pictures(canvas, plan, record)
    assert joined.hashes_of(list(picture_paths(canvas))) == first


@pytest.mark.parametrize("which", [0, 1])
def test_a_piece_of_that_name_is_safe(made: Made, which: int) -> None:
    canvas, plan, record, _ = made
    victim = picture_paths(canvas)[which]
    victim.write_bytes(b"a scan that happens to be called so")
    with pytest.raises(WouldTouchOriginal):
        write_pictures(canvas, plan, record, originals=[victim])
    assert victim.read_bytes() == b"a scan that happens to be called so"
    victim.unlink()


def test_a_canvas_that_is_gone_already(made: Made, tmp_path: Path) -> None:
    _, plan, record, _ = made
    with pytest.raises(UnreadableTile):
        write_pictures(tmp_path / "gone.tif", plan, record)
    assert not picture_paths(tmp_path / "gone.tif")[0].exists()


def test_the_record_lists_grains_of_the_glass(made: Made) -> None:
    """Every grain listed is one of the set's own: precision; recall is measured elsewhere."""
    _, plan, record, _ = made
    dust = truth.make_set(2, 2, seed=4, faults=truth.Faults(dust=60, noise=0.004))[1][0].dust
    y, x = np.nonzero(dust)
    assert record["dust"]["grains"]  # type: ignore[index]
    for grain in record["dust"]["grains"]:  # type: ignore[index]
        at = np.array([grain["x_mm"], grain["y_mm"]]) * joined.DPI / 25.4
        assert np.hypot(x - at[0], y - at[1]).min() < 3  # px; a grain is 3 to 7 px across
        assert 2 <= len(grain["seen_on"]) <= len(plan.places)
