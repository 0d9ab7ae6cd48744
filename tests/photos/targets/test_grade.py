"""I check stars against the guideline's own limits."""

from __future__ import annotations

import pytest

from stitchbed.core.errors import BadSettings
from stitchbed.photos.targets.grade import RULES, graded, table_name


# FADGI 2016, "Prints and Photographs": the limits themselves and just beyond.
@pytest.mark.parametrize(
    ("figure", "value", "stars"),
    [
        ("tone", 2.0, 4), ("tone", 2.01, 3), ("tone", 8.0, 1), ("tone", 8.1, 0),
        ("white_balance", 4.0, 3), ("white_balance", 6.0, 2),
        ("unevenness", 1.0, 4), ("unevenness", 2.9, 3), ("unevenness", 5.5, 1),
        ("color", 1.9, 4), ("color", 5.9, 2), ("color", 12.0, 0),
        ("misregistration", 0.33, 4), ("misregistration", 0.34, 3), ("misregistration", 1.3, 0),
        ("efficiency", 95.0, 4), ("efficiency", 80.0, 3), ("efficiency", 59.0, 0),
        ("at_half", 0.2, 4), ("at_half", 0.35, 2), ("at_half", 0.41, 0),
        ("sharpening", 1.0, 4), ("sharpening", 1.15, 2), ("sharpening", 1.4, 0),
        ("scale", 0.9, 4), ("scale", 3.0, 2), ("scale", 3.1, 0),
        ("noise", 0.5, 4), ("noise", 3.5, 1),
        ("resolution", 600, 4), ("resolution", 399, 2), ("resolution", 90, 0),
        ("half_contrast", 50.0, 4), ("half_contrast", 36.0, 3), ("half_contrast", 90.0, 1), ("half_contrast", 96.0, 0),
    ],
)  # fmt: skip
def test_stars_for_prints(figure: str, value: float, stars: int) -> None:
    (one,) = graded({figure: value}, "prints")
    assert (one.figure, one.stars, one.value) == (figure, stars, value)


@pytest.mark.parametrize(
    ("table", "figure", "value", "stars"),
    [
        ("paintings", "tone", 7.0, 2), ("paintings", "tone", 5.0, 3),
        ("oversize", "color", 4.0, 4), ("oversize", "color", 7.0, 2), ("oversize", "resolution", 300, 3),
        ("paintings", "long_side", 12000, 4), ("paintings", "long_side", 4999, 1), ("paintings", "long_side", 2900, 0),
    ],
)  # fmt: skip
def test_where_tables_differ(table: str, figure: str, value: float, stars: int) -> None:
    (one,) = graded({figure: value}, table)
    assert one.stars == stars


def test_paintings_are_counted_by_their_long_side_or_by_600_ppi() -> None:
    assert [one.figure for one in graded({"resolution": 300.0, "long_side": 6000.0}, "paintings")] == ["long_side"]
    (fine,) = graded({"resolution": 600.0, "long_side": 6000.0}, "paintings")
    assert (fine.figure, fine.stars) == ("resolution", 4)
    assert [one.figure for one in graded({"resolution": 300.0, "long_side": 6000.0}, "prints")] == ["resolution"]


def test_nothing_measured_nothing_claimed() -> None:
    assert graded({}, "prints") == []
    assert len(graded(dict.fromkeys(RULES, 1.0), "oversize")) == len(RULES) - 1  # the long side is for paintings


def test_the_table_is_named() -> None:
    assert table_name("paintings") == "FADGI 2016, Paintings and Other 2-D Art"
    with pytest.raises(BadSettings):
        graded({}, "frescoes")
