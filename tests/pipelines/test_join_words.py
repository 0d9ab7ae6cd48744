"""I check what a person is told of a join's accuracy."""

from __future__ import annotations

from stitchbed.pipelines.texts.join import accuracy

TOLD = {"rms_px": 0.081, "error_px": 1.93, "error_mm": 0.3268, "error_px_axes_known": 0.18, "travel_seen": 0.8}


def test_the_error_is_told_beside_the_agreement_with_what_would_lessen_it() -> None:
    lines = accuracy({"accuracy": TOLD})
    assert lines[0] == "Neighbors agree to 0.08 px."
    # what a person looks for first stands first: how true the joining is, apart from what any scan of that bed has
    assert "True to 0.18 px (0.03" in lines[1] and "as far as the scanner itself is" in lines[1]
    assert "turned by a quarter" in lines[2] and "1.9 px (0.33 mm)" in lines[2]


def test_axes_are_not_spoken_of_where_they_are_known() -> None:
    lines = accuracy({"accuracy": TOLD | {"error_px_axes_known": 1.8}})
    assert len(lines) == 2 and "1.9 px (0.33 mm) at 95 %" in lines[1] and "scanner" not in lines[1]


def test_the_error_is_told_to_hold_only_if_no_piece_lies_wrongly_where_some_show_different_things() -> None:
    known = TOLD | {"error_px_axes_known": 1.8}
    lines = accuracy({"accuracy": known | {"placed_surely": False}})
    assert len(lines) == 3 and "only if no piece lies wrongly" in lines[2]
    assert accuracy({"accuracy": known | {"placed_surely": True}}) == lines[:2]


def test_a_lone_piece_has_no_accuracy() -> None:
    assert accuracy({"accuracy": {}}) == [] and accuracy({}) == []


def test_a_travel_error_that_no_overlap_shows_is_told() -> None:
    lines = accuracy({"accuracy": TOLD | {"travel_seen": 0.2}})
    assert len(lines) == 4 and "scanner's travel" in lines[3] and "half a turn" in lines[3]
