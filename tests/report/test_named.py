"""I check that numbers on proof pages are called by words, with their unit, and wide strips can be moved on a phone."""

from __future__ import annotations

import pytest

from stitchbed.report.tables import IN_WORDS, listed, named


@pytest.mark.parametrize(
    ("key", "of", "words"),
    [
        ("corners_px", "border", "corners of the sheet, x and y in pixels of the scan as given"),
        ("width_mm", "border", "width, mm"),
        ("rotation_deg", "", "rotation, degrees"),
        ("worst_px", "", "worst, pixels"),
        ("white_8bit", "", "white, of 255"),
        ("mean_de00", "", "mean dE"),
        ("areas", "medium", "share of what is drawn in tones that spread like a wash"),
        ("areas", "flats", "areas"),
        ("px", "", "px"),
        ("uncertainty_mm_95", "numbers", "how far corners may lie off, mm, in 95 of 100 cases"),
        ("size_mm", "asked", "size, mm"),
    ],
)
def test_a_number_is_called_by_words_and_its_unit(key: str, of: str, words: str) -> None:
    assert named(key, of) == words


def test_words_go_by_what_a_number_belongs_to() -> None:
    told = listed({"dust": {"dust": 3, "largest_mm": 0.5}, "settings": {"dust": {"largest": 0.6}}})
    assert told == {
        "dust": {"specks taken": "3", "the largest speck taken, mm": "0.5"},
        "settings": {"dust": {"largest": "0.6"}},
    }


def test_the_size_of_a_speck_is_its_ink_and_that_of_a_work_its_size() -> None:
    places = [{"x_mm": 3.0, "size_mm": 0.2}]
    told = listed({"taken_places": places, "asked": {"size_mm": [72.0, 52.0]}})
    assert told == {
        "taken places": [{"x, mm": "3", "as much ink as a dot of, mm": "0.2"}],
        "asked": {"size, mm": "72, 52"},
    }


def test_no_words_hold_a_unit_no_one_explains() -> None:
    words = [one for group in IN_WORDS.values() for one in group.values()]
    assert len(words) > 30
    assert not [one for one in words if {"px", "8bit", "rms", "deg", "L*"} & set(one.replace(",", " ").split())]
