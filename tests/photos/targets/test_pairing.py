"""I check readings paired with references: what is left out, what is refused, and charts painted by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from flat_photos import photo
from synthetic_charts import chart_picture, shown

from stitchbed.card.board import all_pieces
from stitchbed.card.patches import MOST_CLIPPED, MOST_UNEVEN, PatchReading, patch_corners
from stitchbed.core.errors import BadSettings, CardNotFound
from stitchbed.imaging.transfer import srgb_decode
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.targets.pairing import OwnCard, pair24, pair_chart, pair_own, paired, read_own

NAMES = [f"A{k}" for k in range(1, 13)]
LAB = {name: np.array([40.0 + k, 3.9 if k % 2 else 4.1, 0.0]) for k, name in enumerate(NAMES)}


def reading(clipped: dict[str, float] | None = None, uneven: dict[str, float] | None = None) -> PatchReading:
    """Twelve patches of a chart and one the reference does not know."""
    names = (*NAMES, "unknown")
    light = np.arange(39.0).reshape(13, 3)
    parts = [np.array([(bad or {}).get(name, 0.0) for name in names]) for bad in (clipped, uneven)]
    return PatchReading(names, light, light * 0, *parts)


def test_bad_patches_are_left_out_with_the_reason() -> None:
    pair = paired(reading({"A3": MOST_CLIPPED + 0.01}, {"A5": MOST_UNEVEN + 0.01}), LAB, "mine")
    assert pair.left_out == {"A3": "clipped (3% of its pixels)", "A5": "uneven (9%)"}
    assert pair.names == tuple(name for name in NAMES if name not in ("A3", "A5"))
    kept = [NAMES.index(name) for name in pair.names]
    assert np.array_equal(pair.light, reading().light[kept])
    assert np.array_equal(pair.lab, np.array([LAB[name] for name in pair.names]))
    edge = paired(reading({"A3": MOST_CLIPPED}, {"A5": MOST_UNEVEN}), LAB, "mine")
    assert edge.left_out == {} and len(edge.names) == 12


def test_grays_are_told_by_chroma_or_by_name() -> None:
    assert paired(reading(), LAB, "mine").neutral.tolist() == [k % 2 == 1 for k in range(12)]  # 3.9 and 4.1
    named = paired(reading(), LAB, "mine", neutrals=("A2", "A4", "A11"))
    assert [name for name, gray in zip(named.names, named.neutral, strict=True) if gray] == ["A2", "A4", "A11"]


@pytest.mark.parametrize(
    ("clipped", "uneven", "words"),
    [
        (dict.fromkeys(NAMES[:3], 1.0), {}, "3 of 12 patches are burnt out or sunk in black"),
        ({}, dict.fromkeys(NAMES[:3], 1.0), "3 of 12 patches are not of one tone"),
        ({"A1": 1.0}, {"A2": 1.0, "A3": 1.0}, "not of one tone"),
    ],
)
def test_many_bad_patches_are_refused(clipped: dict, uneven: dict, words: str) -> None:
    with pytest.raises(BadSettings, match=words):
        paired(reading(clipped, uneven), LAB, "mine")


def test_few_patches_are_another_chart_or_part_of_one() -> None:
    few = {name: LAB[name] for name in NAMES[:7]}
    with pytest.raises(CardNotFound, match="only 7 patches of mine"):
        paired(reading(), few, "mine")
    assert len(paired(reading(), {name: LAB[name] for name in NAMES[:8]}, "mine").names) == 8


# --- any chart by its corners


def cgats(rows: dict[str, np.ndarray]) -> str:
    """A reference file (CGATS.17)."""
    lines = [f"{name} {lab[0]:.2f} {lab[1]:.2f} {lab[2]:.2f}" for name, lab in rows.items()]
    head = [
        "CGATS.17",
        'DESCRIPTOR "my chart"',
        "NUMBER_OF_FIELDS 4",
        "BEGIN_DATA_FORMAT",
        "SAMPLE_ID LAB_L LAB_A LAB_B",
    ]
    return "\n".join([*head, "END_DATA_FORMAT", f"NUMBER_OF_SETS {len(lines)}", "BEGIN_DATA", *lines, "END_DATA", ""])


def test_a_painted_chart_is_read_by_its_corners(tmp_path: Path) -> None:
    codes = np.random.default_rng(4).integers(40, 230, (4, 6, 3), dtype=np.uint8)
    picture = np.full((260, 380, 3), 20, np.uint8)
    picture[30:230, 40:340] = codes.repeat(50, axis=0).repeat(50, axis=1)
    names = [f"{row}{column}" for row in "ABCD" for column in range(1, 7)]
    file = tmp_path / "mine.txt"
    file.write_text(cgats({name: np.array([50.0, k, 0.0]) for k, name in enumerate(names)}))
    corners = np.array([[40.0, 30], [339, 30], [339, 229], [40, 229]])
    pair = pair_chart(photo(picture), corners, file)
    assert pair.names == tuple(names)
    assert np.allclose(pair.light, srgb_decode(codes.reshape(24, 3) / 255), atol=1e-5)
    assert pair.lab[:, 1].tolist() == list(range(24)) and pair.corners is corners
    with pytest.raises(BadSettings, match="--card chart without --corners"):
        pair_chart(photo(picture), None, file)
    with pytest.raises(BadSettings, match="--card chart without --patches"):
        pair_chart(photo(picture), corners, None)


# --- the chart of 24


def chart() -> Photo:
    """A picture of it."""
    picture = chart_picture(shown("D65").light, np.random.default_rng(4))
    return photo((picture >> 8).astype(np.uint8))


def test_the_chart_of_24_is_paired_by_its_edition() -> None:
    pair = pair24(chart(), "from-2014", None)
    assert pair.names == tuple(str(n) for n in range(1, 25)) and pair.corners is None
    assert pair.neutral.tolist() == [n >= 19 for n in range(1, 25)]


def test_what_is_missing_or_unfit_is_said(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match="without its edition"):
        pair24(chart(), None, None)
    other = tmp_path / "other.txt"
    other.write_text(cgats(LAB))
    with pytest.raises(BadSettings, match=r"does not describe a chart of 24 patches \(12 patches\)"):
        pair24(chart(), None, other)
    with pytest.raises(CardNotFound, match="shows no chart of 24"):
        pair24(photo(np.full((200, 300, 3), 128, np.uint8)), "from-2014", None)
    flipped = chart().small[:, ::-1].copy()
    with pytest.raises(CardNotFound, match="mirrored"):
        pair24(photo(flipped), "from-2014", None)


# --- the own card


def own(picture: np.ndarray) -> tuple[Photo, OwnCard]:
    """The first piece lying straight on at 6 px/mm, its patches by arithmetic."""
    piece = all_pieces()[0]
    patches = {patch.name: patch for patch in piece.patches}
    places = {name: patch_corners(patch) * 6 - 0.5 for name, patch in patches.items()}
    return photo(picture), OwnCard(patches, places)


def test_measured_colors_of_the_own_card(tmp_path: Path) -> None:
    high = max(patch.y + patch.height for patch in all_pieces()[0].patches)
    wide = max(patch.x + patch.width for patch in all_pieces()[0].patches)
    seen, card = own(np.full((int(6 * high) + 20, int(6 * wide) + 20, 3), 120, np.uint8))
    assert set(read_own(seen, card).names) == set(card.patches)
    nominal = {name: np.asarray(patch.lab, float) for name, patch in card.patches.items()}
    file = tmp_path / "card.txt"
    file.write_text(cgats(nominal))
    with pytest.raises(BadSettings, match="holds the nominal colors, not measured ones"):
        pair_own(seen, card, file)
    file.write_text(cgats({name: lab + (0.5, 0, 0) for name, lab in nominal.items()}))
    pair = pair_own(seen, card, file)
    assert set(pair.names) == set(card.patches)
    assert np.allclose(pair.lab, [nominal[name] + (0.5, 0, 0) for name in pair.names], atol=0.006)
    file.write_text(cgats({f"other{name}": lab for name, lab in LAB.items()}))
    with pytest.raises(BadSettings, match=f"knows 0 of the {len(card.patches)} patches"):
        pair_own(seen, card, file)
