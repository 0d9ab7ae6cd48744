"""I check which pages of tifffile's files count as pictures (TIFF 6.0, tags 254, 255, 262)."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import tifffile

from stitchbed.core.errors import UnreadableTile
from stitchbed.reading.metadata.tags import number, source_of
from stitchbed.reading.tiff.pictures import Pictures, pictures_of

Page = tuple[tuple[int, int], dict]


def renumbered(data: bytes, kinds: dict[int, int]) -> bytes:
    """The file with tag 254 of some pages overwritten: the writer's own masks say what they are twice."""
    changed = bytearray(data)
    for page, kind in kinds.items():
        place = tifffile.TiffFile(io.BytesIO(data)).pages[page].tags[254].valueoffset
        changed[place] = kind
    return bytes(changed)


def seen(*pages: Page, broken: bool = False, kinds: dict[int, int] | None = None) -> Pictures:
    """Pages of (height, width) and tags of their own, in one file; broken : it ends within its last directory."""
    file = io.BytesIO()
    with tifffile.TiffWriter(file) as writer:
        for size, tags in pages:
            kind = bool if tags.get("subfiletype", 0) & 4 else np.uint8  # the writer has masks of single bits only
            writer.write(np.zeros(size, kind), photometric="minisblack", contiguous=False, metadata=None, **tags)
    data = renumbered(file.getvalue(), kinds or {})
    if broken:
        data = data[: tifffile.TiffFile(io.BytesIO(data)).pages[len(pages) - 1].offset + 5]
    return pictures_of(source_of(Path("a.tif"), len(data), lambda offset, size: data[offset : offset + size]))


def sizes(pictures: Pictures) -> list[tuple[int, int]]:
    """(height, width) of each."""
    return [(number(one, 257, 0), number(one, 256, 0)) for one in pictures.directories]


def test_several_pictures_stay_in_order() -> None:
    found = seen(((40, 60), {}), ((60, 40), {"subfiletype": 2}), ((50, 50), {}))
    assert sizes(found) == [(40, 60), (60, 40), (50, 50)]
    assert found.notes == ()


@pytest.mark.parametrize("kind", [1, 3, 4, 5])
def test_reduced_views_and_masks_are_none(kind: int) -> None:
    assert sizes(seen(((20, 50), {"subfiletype": 2}), ((40, 60), {}), kinds={0: kind})) == [(40, 60)]
    old = {"extratags": [(255, 3, 1, 2, True)]}
    assert sizes(seen(((40, 60), {}), ((38, 58), old))) == [(40, 60)]
    assert sizes(seen(((40, 60), {}), ((38, 58), {"subfiletype": 4}), kinds={1: 0})) == [(40, 60)]  # by tag 262


def test_when_all_are_marked_the_first_is_taken() -> None:
    assert sizes(seen(((20, 30), {"subfiletype": 1}), ((10, 15), {"subfiletype": 1}))) == [(20, 30)]


@pytest.mark.parametrize(
    ("size", "copy"),
    [((200, 300), True), ((133, 200), True), ((133, 203), True), ((133, 206), False), ((201, 301), False)],
)
def test_an_unmarked_small_copy_is_told_by_its_shape(size: tuple[int, int], copy: bool) -> None:
    found = seen(((400, 600), {}), (size, {}))
    assert sizes(found) == [(400, 600)] if copy else [(400, 600), size]
    assert len(found.notes) == copy
    assert not copy or f"{size[1]} x {size[0]} px" in found.notes[0]


def test_a_chain_broken_behind_the_first_picture_keeps_it_and_says_so() -> None:
    found = seen(((40, 60), {}), ((60, 40), {}), broken=True)
    assert sizes(found) == [(40, 60)]
    assert "damaged behind number 1" in found.notes[0]
    with pytest.raises(UnreadableTile):
        seen(((20, 30), {"subfiletype": 1}), ((60, 40), {}), broken=True)
