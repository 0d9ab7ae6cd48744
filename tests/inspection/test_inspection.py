"""I check that planted faults are named on the piece that has them, that good scans are left in peace, and the words.

The full study (60 and more faults, 20 good sets) is `bench_inspection.py`; here each kind is planted once.
"""

from __future__ import annotations

import hashlib
import json
import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import synthetic_captures as captures
import tifffile
from click.testing import CliRunner

from stitchbed.cli.commands.check import command
from stitchbed.core.errors import UnreadableTile
from stitchbed.inspection.checks.gaps import _place_words
from stitchbed.inspection.checks.light import gains
from stitchbed.inspection.checks.lying import _quarters
from stitchbed.inspection.overlaps import Comparison
from stitchbed.pipelines.check import check
from stitchbed.pipelines.texts.check import summary as check_summary

# What a planted fault brings with it on other pieces or the set: not false alarms, but the same truth seen from there.
FOLLOWS = {"alone": {"gap"}, "turned": {"gap"}, "skewed": {"gap"}}
LEVELS = {
    "blurred": "redo",
    "clipped white": "redo",
    "clipped black": "redo",
    "noise": "redo",
    "profile": "redo",
    "gap": "redo",
    "alone": "redo",
}
LEVELS |= {"turned": "note"}


def _faults(record: dict[str, Any]) -> dict[str | None, dict[str, str]]:
    """Piece (None: the set) -> fault -> level."""
    found: dict[str | None, dict[str, str]] = {None: {f["fault"]: f["level"] for f in record["set"]["findings"]}}
    for piece in record["pieces"]:
        found[Path(piece["name"]).stem] = {f["fault"]: f["level"] for f in piece["findings"]}
    return found


@cache
def _inspected(fault: str) -> tuple[dict[str, Any], str, str | None]:
    """(record, text, name of the faulty piece) of a set with one planted fault; each set is looked at once."""
    pieces, where = captures.planted(fault, 40 + captures.FAULTS.index(fault) % 4)  # four sheets, each drawn once
    with tempfile.TemporaryDirectory() as folder:
        return (record := check(captures.write_pieces(Path(folder), pieces))), check_summary(record), where


def _only_finding(fault: str) -> dict[str, Any]:
    record, _, where = _inspected(fault)
    (piece,) = (p for p in record["pieces"] if p["name"].startswith(str(where)))
    (finding,) = piece["findings"]
    return dict(finding)


@pytest.mark.parametrize("fault", captures.FAULTS)
def test_a_planted_fault_is_named_where_it_is(fault: str) -> None:
    record, text, where = _inspected(fault)
    found = _faults(record)
    assert fault in found[where]
    assert found[where][fault] == LEVELS.get(fault, "usable")
    others = {name: set(faults) for name, faults in found.items() if name != where}
    assert all(not faults - FOLLOWS.get(fault, set()) for faults in others.values()), others
    assert fault in text
    assert record["verdict"] == max(
        (level for faults in found.values() for level in faults.values()), key=_rank
    ).replace("note", "good")


def _rank(level: str) -> int:
    return ("note", "usable", "redo").index(level)


@pytest.mark.parametrize("seed", [61, 62])
def test_good_scans_are_left_in_peace(tmp_path: Path, seed: int) -> None:
    paths = captures.write_pieces(tmp_path, captures.good_set(seed))
    before = [hashlib.sha256(path.read_bytes()).digest() for path in paths]
    record = check(paths)
    text = check_summary(record, None)
    assert _faults(record) == {None: {}, **{path.stem: {} for path in paths}}
    assert record["verdict"] == "good"
    assert "ready to join" in text
    assert [hashlib.sha256(path.read_bytes()).digest() for path in paths] == before


def test_a_quiet_soft_scanner_is_not_called_interpolated(tmp_path: Path) -> None:
    # next to no noise and a blur of a whole pixel: nothing is left near the finest detail, as after an enlargement
    quiet = captures.Scanner(blur=1.0, noise=0.35)
    paths = captures.write_pieces(tmp_path, captures.good_set(63, scanners=dict.fromkeys(range(4), quiet)))
    assert _faults(check(paths)) == {None: {}, **{path.stem: {} for path in paths}}


def test_a_pair_that_lies_in_a_lift_tells_less_of_the_light() -> None:
    """Two by two pieces: what the lower ones share lies mostly in a lifted side, which seems to be the light of one."""
    pairs = [Comparison(a, b, np.zeros(3), (), (), 0.2, 90.0) for a, b in ((0, 1), (0, 2), (1, 3))]
    lower = Comparison(2, 3, np.full(3, 0.1), (), (), 0.1, 90.0)
    assert np.ptp(gains(4, (*pairs, lower))) > 0.02
    assert np.ptp(gains(4, (*pairs, replace(lower, dark=0.4)))) < 0.005


def test_one_piece_alone_is_judged_by_itself(tmp_path: Path) -> None:
    paths = captures.write_pieces(tmp_path, captures.good_set(3, 1, 1, {0: captures.Scanner(gain=(1.4, 1.4, 1.4))}))
    found = _faults(check(paths))["quay_01"]
    assert set(found) == {"clipped white"}


def test_lift_is_measured() -> None:
    # planted: 30 % darker at the very edge, falling with the square of the way over 48 px, so above a tenth of it for
    # 33 px
    sides = _only_finding("lifted")["numbers"]
    assert len(sides) == 2  # a corner piece of 2 x 2 hangs over at two sides
    for side in sides.values():
        assert side["loss"] == pytest.approx(0.25, abs=0.07)  # the mean of the outermost cells, not the very edge
        assert side["reach_px"] == pytest.approx(33, abs=12)


def test_wrong_dpi_says_what_the_picture_shows() -> None:
    numbers = _only_finding("wrong dpi")["numbers"]
    assert numbers["said"] == 300
    assert numbers["shown"] == pytest.approx(200, rel=0.005)


def test_exposure_is_measured() -> None:
    # planted: 0.8; every capture has a gain of its own with a spread of 1 %, so the middle one is known to about 2 %
    assert np.mean(_only_finding("exposure")["numbers"]["gain"]) == pytest.approx(0.8, rel=0.03)


def test_enlargement_is_measured() -> None:
    # seed 48: brought to its size from a half
    assert _only_finding("interpolated")["numbers"]["factor"] == pytest.approx(2.0)


def test_files_that_are_no_scans(tmp_path: Path) -> None:
    paths = captures.write_pieces(tmp_path, captures.good_set(2, 1, 2))
    broken = tmp_path / "broken.tif"
    broken.write_bytes(b"II*\0 and nothing more")
    record = check([*paths, broken])
    (told,) = (one for one in record["set"]["findings"] if one["fault"] == "unreadable")
    assert told["level"] == record["verdict"] == "redo" and "broken.tif" in told["why"]
    with pytest.raises(UnreadableTile):
        check([broken])
    tiny = tmp_path / "tiny.tif"
    tifffile.imwrite(tiny, np.zeros((40, 60, 3), np.uint8))
    with pytest.raises(UnreadableTile):
        check([tiny])


def test_sixteen_bit_gray_scans_are_judged_too(tmp_path: Path) -> None:
    paths = []
    for piece in captures.good_set(4, 1, 2):
        path = tmp_path / f"{piece.name}.tif"
        gray = piece.pixels[..., 1].astype(np.uint16) * 257
        tifffile.imwrite(path, gray, photometric="minisblack", resolution=(200, 200), resolutionunit="INCH")
        paths.append(path)
    found = _faults(check(paths))
    assert found == {None: {"no profile": "note"}, "quay_01": {}, "quay_02": {}}


def test_command_answers_in_text_and_json(tmp_path: Path) -> None:
    captures.write_pieces(tmp_path / "set", captures.planted("no dpi", 1)[0])
    done = CliRunner().invoke(command, [str(tmp_path / "set"), "--json"])
    record = json.loads(done.stdout)
    assert done.exit_code == 0
    assert record["command"] == "check"
    assert {piece["verdict"] for piece in record["pieces"]} == {"good", "usable"}
    assert CliRunner().invoke(command, []).exit_code == 2


def test_gains_come_back_from_their_ratios() -> None:
    rng = np.random.default_rng(3)
    true = rng.normal(0, 0.1, (6, 3))
    pairs = [(0, 1), (1, 2), (2, 3), (3, 4), (0, 3), (1, 4)]  # nothing is known of the last one
    seen = [Comparison(a, b, true[a] - true[b], (), (), 0.2, 100.0) for a, b in pairs]
    found = gains(6, seen)
    wanted = true[:5] - np.median(true[:5], axis=0)
    assert np.allclose(found[:5], wanted, atol=1e-9)  # exact ratios in, exact gains out, up to the middle one
    assert np.all(found[5] == 0)


@pytest.mark.parametrize("turn", [0.0, 44.0, -46.0, 89.5, 180.0])
def test_quarters_and_skew_are_told_apart(turn: float) -> None:
    quarters, skews = _quarters([turn, turn + 1.0, turn + 91.0, turn + 180.5])
    assert [(quarter - quarters[0]) % 4 for quarter in quarters] == [0, 0, 1, 2]
    assert np.allclose(np.array(skews) - skews[0], [0, 1, 1, 0.5])


@pytest.mark.parametrize(
    ("x", "y", "words"),
    [(0.1, 0.1, "top left"), (0.9, 0.5, "middle right"), (0.5, 0.9, "bottom"), (0.5, 0.5, "middle")],
)
def test_places_have_words(x: float, y: float, words: str) -> None:
    assert _place_words(x, y) == words
