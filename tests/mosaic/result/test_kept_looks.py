"""I check what is taken up of an earlier survey: looks of the very same pieces, pairs of both, and nothing damaged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from laid_pieces import detail_at, link, shift

from stitchbed.core.errors import CannotWrite
from stitchbed.imaging.transfer import transfer_of
from stitchbed.matching.features import Keypoints
from stitchbed.matching.similarity_links import NoLink, Sight
from stitchbed.mosaic.compositing.dust_by_overlap import Candidates
from stitchbed.mosaic.compositing.seams import Drawing
from stitchbed.mosaic.hints.hints import Hints
from stitchbed.mosaic.hints.kinds import Mirrored, Near
from stitchbed.mosaic.photometry.overlap_samples import Small
from stitchbed.mosaic.registration.tie_points import Texture
from stitchbed.mosaic.result import kept_looks
from stitchbed.mosaic.result.kept_looks import PAIRS, look_again, look_marks, looks_are_kept
from stitchbed.mosaic.survey.context import Kind, Recorded, SurveyContext, SurveySettings
from stitchbed.mosaic.survey.preview import Preview
from stitchbed.mosaic.survey.survey import Looked
from stitchbed.reading.base.tile import Raster, Tile

AB, NO = link("a", "b", shift(3, 4)), NoLink("a", "c", "nothing in common", 7, 0.25)


def context_of(*names: str, hints: Hints = Hints(), **changed: Any) -> SurveyContext:  # noqa: B008
    """A survey of pieces whose pixels nobody reads."""
    tiles = tuple(Tile(name, Path(name), name * 64, Raster((9, 9, 1), "uint8", 8, None, None, True)) for name in names)
    kind = Kind(1, "uint8", None, transfer_of(None))
    plain = SurveyContext(tiles, np.full(len(tiles), 300.0), None, kind, SurveySettings(), hints=hints)  # type: ignore[arg-type]
    return replace(plain, **changed)


def preview(name: str) -> Preview:
    """What was seen of a piece, told apart by its numbers."""
    seed = np.random.default_rng(ord(name))
    floats = seed.normal(0, 1, (4, 5)).astype(np.float32)
    points = Keypoints(name, seed.normal(0, 1, (3, 2)), floats[0, :3], floats[1, :3], floats[:3], 2)
    small = Small(floats[..., None], floats, floats[..., None], floats[..., None], 2.5)
    marks = Candidates(np.ones((2, 2)), np.ones(2), np.ones(2))
    picture = seed.integers(0, 255, (3, 4, 1)).astype(np.uint8)
    texture, drawing = Texture(floats, 4), Drawing(floats, 2.0)
    return Preview(points, Sight(floats, 1.5), detail_at(10, 10), texture, small, drawing, marks, picture)


class Looks:
    """Stands in for the look at pictures; tells what it was handed of earlier ones."""

    def __init__(self) -> None:
        self.known: list[int] = []
        self.pairs: dict[tuple[str, str], Any] = {}

    def __call__(self, context: SurveyContext, known: Mapping[int, Preview], pairs: Mapping[Any, Any]) -> Looked:
        """A look at all pieces."""
        self.known, self.pairs = sorted(known), dict(pairs)
        names = [tile.name for tile in context.tiles]
        found = [one for one in (AB, NO) if {one.a, one.b} <= set(names)]
        previews = tuple(known[i] if i in known else preview(name) for i, name in enumerate(names))
        return Looked(previews, tuple(one for one in found if one is AB), tuple(one for one in found if one is NO))


@pytest.fixture
def looks(monkeypatch: pytest.MonkeyPatch) -> Looks:
    """The look, replaced."""
    made = Looks()
    monkeypatch.setattr(kept_looks, "look", made)
    return made


def test_what_was_looked_at_is_taken_up_as_it_was(tmp_path: Path, looks: Looks) -> None:
    assert not looks_are_kept(tmp_path)
    first = look_again(context_of(*"abc"), tmp_path)
    assert looks.known == [] and looks.pairs == {} and looks_are_kept(tmp_path)
    assert len(list(tmp_path.glob("*.look"))) == 4  # three pieces and all pairs
    again = look_again(context_of(*"abc"), tmp_path)
    assert looks.known == [0, 1, 2]
    assert repr(again.previews) == repr(first.previews)
    assert np.array_equal(again.previews[1].keypoints.xy, preview("b").keypoints.xy)
    assert np.array_equal(again.previews[2].detail.strokes.pixels, preview("c").detail.strokes.pixels)
    assert set(looks.pairs) == {("a", "b"), ("a", "c")}
    assert repr(looks.pairs["a", "b"]) == repr(AB) and looks.pairs["a", "c"] == NO


def test_a_new_piece_and_its_pairs_are_looked_at_anew(tmp_path: Path, looks: Looks) -> None:
    look_again(context_of(*"ac"), tmp_path)
    look_again(context_of(*"bac"), tmp_path)
    assert looks.known == [1, 2] and set(looks.pairs) == {("a", "c")}
    look_again(context_of(*"ba"), tmp_path)
    assert looks.known == [0, 1] and set(looks.pairs) == {("a", "b")}


@pytest.mark.parametrize(
    "changed",
    [
        {"dpi": np.array([300.0, 301.0])},
        {"hints": Hints(mirrored=(Mirrored("b"),))},
        {"tiles": (context_of("a").tiles[0], replace(context_of("b").tiles[0], sha256="other"))},
    ],
)
def test_a_piece_that_changed_is_looked_at_anew(changed: dict[str, Any], tmp_path: Path, looks: Looks) -> None:
    look_again(context_of(*"ab"), tmp_path)
    look_again(context_of(*"ab", **changed), tmp_path)
    assert looks.known == [0] and looks.pairs == {}


def test_marks_say_what_a_look_depends_on() -> None:
    plain = context_of(*"ab")
    one, two = look_marks(plain)
    assert one != two and look_marks(plain) == look_marks(context_of(*"ab"))
    wishes = plain.settings
    for changed in (
        replace(plain, settings=replace(wishes, features=replace(wishes.features, most=77))),
        replace(plain, settings=replace(wishes, evidence=replace(wishes.evidence, rim_mm=1.0))),
        replace(plain, settings=replace(wishes, belief=replace(wishes.belief, least=0.3))),
        replace(plain, kind=replace(plain.kind, icc=b"profile")),
    ):
        assert not {one, two} & set(look_marks(changed))
    for same in (
        replace(plain, hints=Hints(near=(Near("a", (1, 2)),))),
        replace(plain, settings=replace(wishes, rounds=5, allow_missing=True)),
    ):
        assert look_marks(same) == [one, two]


def test_what_is_damaged_is_looked_at_anew(tmp_path: Path, looks: Looks) -> None:
    look_again(context_of(*"abc"), tmp_path)
    mark = look_marks(context_of(*"abc"))[1]
    path = tmp_path / f"{mark[:24]}.look"
    data = bytearray(path.read_bytes())
    data[-30] ^= 1
    path.write_bytes(data)
    (tmp_path / PAIRS).write_bytes(b"")
    look_again(context_of(*"abc"), tmp_path)
    assert looks.known == [0, 2] and looks.pairs == {}
    look_again(context_of(*"abc"), tmp_path)
    assert looks.known == [0, 1, 2] and len(looks.pairs) == 2  # it was mended


def test_pairs_of_a_record_are_not_kept(tmp_path: Path, looks: Looks) -> None:
    look_again(context_of(*"abc", recorded=Recorded({}, 300.0)), tmp_path)
    assert not (tmp_path / PAIRS).exists() and len(list(tmp_path.glob("*.look"))) == 3


def test_where_nothing_can_be_kept_that_is_said(tmp_path: Path, looks: Looks) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(CannotWrite):
        look_again(context_of("a"), tmp_path / "file")
