"""I check which parts of a record become which sections of the page, and that words of the trade are explained."""

from __future__ import annotations

from typing import Any

import pytest

from stitchbed.report.blocks import Facts, Fold, Section, Table, Words
from stitchbed.report.sections import SHOWN, TERMS, sections

RECORD: dict[str, Any] = {
    "command": "join",
    "canvas": {"dpi": 254.0},
    "gains": [{"tile": "a.tif", "gain": [1.01, 1.0, 0.99], "offset": [0.0, 0.0, 0.0], "shading_range": [1.0, 1.0]}],
    "bed": {"axis_ratio": 1.0012, "shear_rad": 0.001},
    "residuals": [{"dx": 0.1, "dy": 0.2}, {"dx": 0.3, "dy": 0.1}],
    "dust": {"replaced": 3, "grains": [{"x_mm": 12.4, "y_mm": 60.0}]},
    "settings": {"memory": 5, "deep": {"de00_mean": 0.123456789}},
    "versions": {"numpy": "2"},
}


def named(record: dict[str, Any]) -> dict[str, Section]:
    """Sections by their anchor."""
    return {one.anchor: one for one in sections(record, {})}


def words_of(section: Section) -> str:
    """All plain sentences of a section."""
    return " ".join(block.text for block in section.blocks if isinstance(block, Words))


def test_what_is_not_there_has_no_section() -> None:
    assert sections({}, {}) == ()
    assert set(named(RECORD)) == {"exposure", "bed", "residuals", "dust", "steps"}


@pytest.mark.parametrize("odd", [None, 5, "words", [1, 2], {"a": 1}])
def test_records_of_any_form_make_a_page(odd: object) -> None:
    record = dict.fromkeys(SHOWN, odd)
    for one in sections(record, {}):
        assert one.title and one.blocks


def test_all_that_has_no_place_of_its_own_is_listed_at_the_end() -> None:
    folds = [block for block in named(RECORD)["steps"].blocks if isinstance(block, Fold)]
    assert [fold.title for fold in folds] == ["settings", "versions"]
    assert folds[0].values == {"memory": "5", "deep": {"dE mean": "0.123457"}}


def test_the_bed_is_told_in_words() -> None:
    (facts,) = [block for block in named(RECORD)["bed"].blocks if isinstance(block, Facts)]
    told = [f"{fact.before} {fact.value} {fact.after}".strip() for fact in facts.items]
    assert told[:2] == ["along and across differ by 0.120 %", "off square by 0.057 degrees"]


def test_dust_says_what_was_done_and_where_to_wipe() -> None:
    words = words_of(named(RECORD)["dust"])
    assert "3 specks were replaced from a piece" in words
    assert "1 of them keep their place on the glass" in words and "wipe it at 12, 60 (mm" in words
    mended = named({"command": "clean", "dust": {"mended": 40, "spots": [{}] * 5}})["dust"]
    assert "40 specks were filled from around them. 5 of them are drawn." in words_of(mended)
    many = named({"dust": {"replaced": 20, "grains": [{"x_mm": k, "y_mm": k} for k in range(13)]}})["dust"]
    assert "11, 11 and more" in words_of(many)


def test_files_of_one_step_are_not_called_pieces() -> None:
    inputs = {"inputs": [{"name": "a.tif", "height": 5, "width": 5}]}
    assert named({"command": "join", **inputs})["pieces"].title == "Pieces"
    assert named({"command": "clean", **inputs})["pieces"].title == "Files"


def test_words_of_the_trade_are_explained_where_they_stand_and_only_there() -> None:
    exposure = named(RECORD)["exposure"]
    table = next(block for block in exposure.blocks if isinstance(block, Table))
    text = " ".join([*table.head, words_of(exposure)])
    for word, meaning in TERMS.items():
        stands = word in text.replace(",", " ").split()
        assert ((word, meaning) in exposure.terms) == stands, word
    assert {word for word, _ in exposure.terms} >= {"gain", "offset", "shading"}
    steps = named({"settings": {"again": "rms of p99"}})["steps"]
    assert {word for word, _ in steps.terms} == {"rms", "p99"}  # and not "gain" for being within "again"


def test_what_a_clean_up_left_in_doubt_is_told_and_listed() -> None:
    spots = [{"x": 100.0, "y": 50.0, "radius_px": 2.0}]
    places = [{"x_mm": 3.04, "y_mm": 4.0, "size_mm": 0.1234}]
    record: dict[str, Any] = {**RECORD, "dust": {"mended": 1, "spots": spots, "doubtful": 7, "in_doubt": places}}
    section = named(record)["dust"]
    assert "7 more may be dust or drawn and were left: --dust eager takes them" in words_of(section)
    taken, doubtful = (block.table for block in section.blocks if isinstance(block, Fold))
    assert isinstance(taken, Table) and isinstance(doubtful, Table)
    assert taken.head[2] == "filled, mm"
    assert doubtful.lines == ((3.04, 4.0, 0.12),)
    assert "more may be" not in words_of(named(RECORD)["dust"])
