"""I check how findings become verdicts, and where on the bed sharpness is told."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from made_evidence import course

from stitchbed.core.errors import UnreadableTile
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import transfer_of
from stitchbed.inspection.checks.verdicts import judged
from stitchbed.inspection.differences import Difference, Sight, Stripes
from stitchbed.inspection.findings import LEVELS, Evidence, Finding, worst
from stitchbed.inspection.looks import Look, Sharpness, look_at
from stitchbed.inspection.overlaps import Comparison, SideLoss
from stitchbed.inspection.sensor.lines import Streak
from stitchbed.inspection.sensor.whole import Sensed
from stitchbed.inspection.specks import LEAST_DUST
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.reading.base.tile import Raster, Tile

SIDE = 300  # px


class _Sheet:
    """Paper with a few strokes and a little noise, read like a file."""

    raster = Raster((SIDE, SIDE, 1), "uint8", 8, None, None, True)

    def __init__(self) -> None:
        paper = np.full((SIDE, SIDE), 215.0)
        paper[::60, 20:280] = paper[20:280, ::75] = 60
        noise = np.random.default_rng(1).normal(0, 1, paper.shape)
        self._pixels = np.rint(paper + noise).astype(np.uint8)[..., None]

    def window(self, box: Box) -> Any:
        return self._pixels[box.slices]

    def view(self, reduction: int) -> Any:
        return self._pixels[::reduction, ::reduction]


@pytest.fixture(scope="module")
def look() -> Look:
    """A look at the sheet; so small a picture shows few tones, which is not asked here."""
    return replace(look_at(_Sheet(), transfer_of(None)), sensed=Sensed((), None, None))


def evidence(looks: list[Look], comparisons: tuple[Comparison, ...] = ()) -> Evidence:
    """A row of pieces, all linked."""
    raster = Raster((SIDE, SIDE, 1), "uint8", 8, None, (300.0, 300.0), True)
    tiles = tuple(Tile(f"t{k}", Path(f"t{k}"), "", raster) for k in range(len(looks)))
    steps = {tile.name: np.array([[1, 0, 200.0 * k], [0, 1, 0], [0, 0, 1]]) for k, tile in enumerate(tiles)}
    layouts = (Layout("t0", dict(reversed(steps.items())), (), ()),)
    return Evidence(tiles, ("TIFF",) * len(looks), tuple(looks), layouts, comparisons, {}, ())


def alike(a: int, b: int, gain: float = 0.0, discord: float = 0.005) -> Comparison:
    """Two pieces that see each other."""
    return Comparison(a, b, np.full(3, gain), (), (), 0.3, 90.0, discord)


def test_of_two_pieces_known_beside_each_other_only_none_is_called_dark(look: Look) -> None:
    told = judged(evidence([look] * 5, (alike(0, 1), alike(1, 2), alike(3, 4, -0.5))))
    assert all("exposure" not in [one.fault for one in piece["findings"]] for piece in told["pieces"])
    (dark,) = [one for one in told["set"]["findings"] if one.fault == "exposure"]
    assert dark.level == "redo" and dark.why.startswith("t3 or t4: one of the two is lighter than the other by 65 %")
    joined = judged(evidence([look] * 5, (alike(0, 1), alike(1, 2), alike(2, 3), alike(3, 4, 0.5))))
    assert "exposure" in [one.fault for one in joined["pieces"][4]["findings"]]


def test_a_piece_known_only_beside_a_cut_off_one_is_not_called_dark(look: Look) -> None:
    """Where white is cut off the third piece seems less light than it is, more so beside the fourth."""
    pieces = [look, look, replace(look, white=0.2), look, look]
    pairs = (alike(0, 1), alike(1, 4), alike(0, 4), alike(1, 2, -0.3), alike(2, 3, 0.1))
    told = judged(evidence(pieces, pairs))["pieces"]
    assert ["exposure" in [one.fault for one in piece["findings"]] for piece in told] == [k == 2 for k in range(5)]


def test_a_file_that_cannot_be_read_makes_no_set_ready(look: Look) -> None:
    pairs = (alike(0, 1), alike(1, 2), alike(0, 2))
    fault = UnreadableTile("t3.tif does not exist", expected="an existing file", attempt="check the spelling")
    told = judged(evidence([look] * 3, pairs), [fault])
    assert (told["verdict"], told["set"]["verdict"]) == ("redo", "redo")
    (first, *_) = told["set"]["findings"]
    assert (first.fault, first.why, first.change) == ("unreadable", fault.found, fault.attempt)


def test_beside_a_banded_scan_no_other_looks_lifted(look: Look) -> None:
    """Its light goes up and down from row to row, and so a flat neighbor's seems to."""
    loss = SideLoss("bottom", 0.06, 10.0, 0.9, 0.05)
    pairs = (replace(alike(0, 1), losses_a=(loss,)), alike(1, 2), alike(0, 2))
    told = judged(evidence([look] * 3, pairs))
    assert [finding.fault for finding in told["pieces"][0]["findings"]] == ["lifted"]
    clean = Sight(None, 0, 0, 9e4, 0, 0.0)
    banded = replace(clean, stripes=Stripes(6.0, 15.0, "rows"))
    seen = (Difference(0, 1, clean, banded), Difference(1, 2, banded, clean), Difference(0, 2, clean, clean))
    told = judged(replace(evidence([look] * 3, pairs), differences=seen))
    assert [[finding.fault for finding in piece["findings"]] for piece in told["pieces"]] == [[], ["banding"], []]


def test_a_side_lifted_as_broadly_as_it_overlaps_is_no_uneven_light(look: Look) -> None:
    """The light on all that two neighbors see of it differs, and both see the same side dark."""
    dark = SideLoss("left", 0.2, 10.0, 0.9, 0.19)
    beside = [replace(alike(k, 2, discord=0.05), losses_b=(dark,)) for k in (0, 1)]
    told = judged(evidence([look] * 4, (*beside, alike(0, 1), alike(0, 3), alike(1, 3))))
    assert [[finding.fault for finding in piece["findings"]] for piece in told["pieces"]] == [[], [], ["lifted"], []]
    other = replace(beside[1], losses_b=(replace(dark, side="top"),))
    told = judged(evidence([look] * 4, (beside[0], other, alike(0, 1), alike(0, 3), alike(1, 3))))
    assert [finding.fault for finding in told["pieces"][2]["findings"]] == ["uneven light"]


def test_a_set_is_as_good_as_its_worst_piece(look: Look) -> None:
    pairs = tuple(alike(a, b) for a, b in ((0, 1), (1, 2), (0, 2)))
    fine = judged(evidence([look] * 3, pairs))
    noisy = judged(evidence([look, look, replace(look, noise=9.0, sure_noise=9.0)], pairs))
    assert [piece["verdict"] for piece in noisy["pieces"]] == [*(p["verdict"] for p in fine["pieces"][:2]), "redo"]
    assert noisy["verdict"] == "redo" != fine["verdict"]
    assert "noise" in [finding.fault for finding in noisy["pieces"][2]["findings"]]
    for record in (fine, noisy):
        parts = [*record["pieces"], record["set"]]
        assert all(part["verdict"] == worst(part["findings"]) for part in parts)
        order = ("good", "usable", "redo")
        assert record["verdict"] == max((part["verdict"] for part in parts), key=order.index)
        assert {finding.level for part in parts for finding in part["findings"]} <= set(LEVELS)
    assert fine["islands"] == [["t0", "t1", "t2"]]
    assert [piece["name"] for piece in fine["pieces"]] == ["t0", "t1", "t2"]


def test_odd_light_is_told_where_nothing_else_is(look: Look) -> None:
    pairs = [(a, b) for a in range(5) for b in range(a + 1, 5)]
    seen = tuple(alike(a, b, discord=0.3 if 4 in (a, b) else 0.005) for a, b in pairs)
    faults = [[f.fault for f in piece["findings"]] for piece in judged(evidence([look] * 5, seen))["pieces"]]
    assert "uneven light" in faults[4] and not any("uneven light" in other for other in faults[:4])
    noisy = [look] * 4 + [replace(look, noise=9.0, sure_noise=9.0)]
    faults = [[f.fault for f in piece["findings"]] for piece in judged(evidence(noisy, seen))["pieces"]]
    assert "uneven light" not in faults[4]


def test_sharpness_is_told_by_thirds_of_the_bed_over_the_piece_s_own(look: Look) -> None:
    at = {(50, 50): 0.4, (250, 50): 0.8, (299, 299): 0.2, (150, 150): 0.4, (149, 151): 0.4}
    sharp = tuple(Sharpness(x, y, ratio) for (x, y), ratio in at.items())
    piece = judged(evidence([replace(look, sharpness=sharp)]))["pieces"][0]
    assert piece["numbers"]["edge_ratio"] == 0.4  # the middle one
    assert piece["numbers"]["sharpness_across"] == [[1.0, None, 2.0], [None, 1.0, None], [None, None, 0.5]]
    blank = judged(evidence([replace(look, sharpness=())]))["pieces"][0]["numbers"]
    assert blank["edge_ratio"] is None and blank["blur_px"] is None
    assert blank["sharpness_across"] == [[None] * 3] * 3


def test_a_side_is_soft_where_it_is_in_every_piece(look: Look) -> None:
    def piece(right: float, middle: float) -> Look:
        ratios = {50.0: middle, 150.0: middle, 250.0: right}
        places = [(x, y) for x in ratios for y in (40.0, 140.0, 240.0)]
        return replace(look, sharpness=tuple(Sharpness(x, y, ratios[x]) for x, y in places))

    pairs = tuple(alike(k, k + 1) for k in range(5))
    soft = judged(evidence([piece(1.8 + 0.02 * k, 2.9) for k in range(6)], pairs))
    assert [f.fault for f in soft["set"]["findings"] if f.level != "note"] == ["soft side"]
    # clouds: a few places agree by chance
    for loss, told in (((0.3, 0.3, 0.32, 0.28, 0.31, 0.3), True), ((0.55, 0.12, 0.5, 0.3, 0.26, 0.4), False)):
        clouds = judged(evidence([piece(2.9 * float(np.exp(-one)), 2.9) for one in loss], pairs))
        assert ("soft side" in [f.fault for f in clouds["set"]["findings"]]) == told, told
    # washes beside strokes: as soft on the right in most pieces, but by what is drawn there
    drawn = judged(evidence([piece(1.4 if k < 4 else 3.0, 2.9) for k in range(6)], pairs))
    assert [f.fault for f in drawn["set"]["findings"] if f.level != "note"] == []


def test_beside_a_dead_sensor_cell_the_rest_of_the_bed_is_not_soft(look: Look) -> None:
    places = [(x, y, 2.9 if x == 200 else 1.8) for x in (200.0, 1000.0, 1800.0) for y in (50.0, 150.0, 250.0)]
    dead = Sensed((Streak(1, round(210 / look.reduction), 90.0),), None, None)
    for sensed, told in ((look.sensed, True), (dead, False)):
        piece = replace(look, shape=(SIDE, 2000), sharpness=tuple(Sharpness(*one) for one in places), sensed=sensed)
        row = evidence([piece] * 6)
        across = {f"t{k}": np.array([[1, 0, 1000.0 * k], [0, 1, 0], [0, 0, 1.0]]) for k in range(6)}
        verdict = judged(replace(row, layouts=(replace(row.layouts[0], sheet_from_tile=across),)))
        assert ("soft side" in [one.fault for one in verdict["set"]["findings"]]) == told


def test_a_third_of_the_bed_that_shows_one_part_of_the_sheet_only_is_not_called_soft(look: Look) -> None:
    """Pieces in a row, or in two: all of a row see the heading, of larger letters, at their top."""
    places = [(x, y, 1.8 if y < 100 else 2.9) for x in (40.0, 140.0, 240.0) for y in (50.0, 150.0, 250.0)]
    row = evidence([replace(look, sharpness=tuple(Sharpness(*one) for one in places))] * 4)
    assert "soft side" not in [one.fault for one in judged(row)["set"]["findings"]]
    for height, told in ((SIDE / 2, True), (SIDE / 12, False)):  # of each piece below the one before it
        down = {f"t{k}": np.array([[1, 0, 0], [0, 1, height * k], [0, 0, 1.0]]) for k in range(4)}
        verdict = judged(replace(row, layouts=(replace(row.layouts[0], sheet_from_tile=down),)))
        assert ("soft side" in [one.fault for one in verdict["set"]["findings"]]) == told


def test_a_clean_piece_is_not_blurred_beside_a_dusty_one(look: Look) -> None:
    def piece(ratio: float) -> Look:
        return replace(look, sharpness=tuple(Sharpness(50.0 * k, 50.0 * k, ratio) for k in range(1, 6)))

    plain = evidence([piece(2.2), piece(3.0), piece(3.0)], tuple(alike(k, k + 1) for k in range(2)))
    sharper = replace(plain, sharper={(0, 1): -0.4, (1, 2): 0.0})
    clean, dusty = Sight(None, 0, 3, 4e4, 0), Sight(None, LEAST_DUST + 20, LEAST_DUST + 23, 4e4, 0)
    for own, blurred in ((clean, True), (dusty, False)):
        told = judged(replace(sharper, differences=(Difference(0, 1, clean, own),)))
        assert ("blurred" in [finding.fault for finding in told["pieces"][0]["findings"]]) == blurred


def test_a_good_piece_is_not_blurred_beside_dead_cells_that_it_lacks(look: Look) -> None:
    dead = Sensed((Streak(1, 20, 90.0),), None, None)

    def piece(ratio: float, sensed: Sensed) -> Look:
        return replace(look, sharpness=tuple(Sharpness(50.0 * k, 50.0, ratio) for k in range(1, 6)), sensed=sensed)

    for own, other, blurred in ((look.sensed, dead, False), (dead, dead, True), (look.sensed, look.sensed, True)):
        plain = evidence([piece(2.2, own), piece(3.0, other), piece(3.0, other)], (alike(0, 1), alike(1, 2)))
        told = judged(replace(plain, sharper={(0, 1): -0.4, (1, 2): 0.0}))
        assert ("blurred" in [finding.fault for finding in told["pieces"][0]["findings"]]) == blurred


def test_a_blurred_piece_is_not_called_shaken_too(look: Look) -> None:
    def piece(ratio: float) -> Look:
        return replace(look, sharpness=tuple(Sharpness(50.0 * k, 50.0 * k, ratio) for k in range(1, 6)))

    clean = Sight(None, 0, 3, 4e4, 0)
    seen = (Difference(0, 1, clean, clean, 0.8), Difference(1, 2, clean, clean, 0.0))
    for ratio, fault in ((2.2, "blurred"), (3.0, "shaken")):
        plain = evidence([piece(ratio), piece(3.0), piece(3.0)], tuple(alike(k, k + 1) for k in range(2)))
        told = judged(replace(plain, sharper={(0, 1): np.log(ratio / 3.0), (1, 2): 0.0}, differences=seen))
        assert [one.fault for one in told["pieces"][0]["findings"] if one.level == "redo"] == [fault]


def test_a_softer_piece_that_no_neighbor_sees_may_be_drawn_softly(look: Look) -> None:
    def blurred(*ratios: float) -> list[Finding]:
        looks = [replace(look, sharpness=tuple(Sharpness(50.0 * k, 50.0, r) for k in range(1, 6))) for r in ratios]
        told = judged(evidence(looks, (alike(1, 2),)))["pieces"][0]["findings"]
        return [finding for finding in told if finding.fault == "blurred"]

    (finding,) = blurred(1.6, 3.0, 3.0)
    assert finding.level == "usable" and "if what is drawn there is no softer" in finding.why
    assert not blurred(1.6, 2.2, 3.6, 2.6)  # as clouds are, here more and there less


def test_a_piece_that_lost_the_finest_noise_only_was_made_up_though_its_edges_are_no_softer(look: Look) -> None:
    noisy = replace(look, bands_calm=np.full(16, 1.0))
    for bands, faults in ((np.where(np.arange(16) < 8, 0.5, 0.12), ["interpolated"]), (np.full(16, 0.12), [])):
        quiet = replace(look, noise=0.3 * look.noise, bands_calm=bands)
        told = judged(evidence([noisy, quiet, noisy], tuple(alike(k, k + 1) for k in range(2))))
        assert [item.fault for item in told["pieces"][1]["findings"] if item.level != "note"] == faults


def test_light_that_differs_from_each_place_to_the_next_is_a_screen_that_does_not_meet(look: Look) -> None:
    def light(drift: float) -> list[str]:
        pairs = tuple(
            replace(alike(k, j), discord=0.2 if 1 in (k, j) else 0.002, drift=drift)
            for k, j in combinations(range(5), 2)
        )
        return [item.fault for item in judged(evidence([look] * 5, pairs))["pieces"][1]["findings"]]

    assert "uneven light" in light(0.19) and "uneven light" not in light(0.01)


def test_a_soft_piece_without_its_neighbors_noise_was_made_up_and_not_blurred(look: Look) -> None:
    soft, plain = (tuple(Sharpness(50.0 * k, 50.0 * k, ratio) for k in range(1, 6)) for ratio in (2.2, 3.0))
    bands = np.where(np.arange(16) < 8, 4.0, 0.1)  # nothing in the finest half, as interpolation leaves it
    pieces = [replace(look, sharpness=one) for one in (soft, plain, plain)]
    for first, fault in (
        (replace(pieces[0], noise=0.4 * look.noise, bands_calm=bands), "interpolated"),
        (replace(pieces[0], noise=0.4 * look.noise, bands_calm=np.ones(16)), "blurred"),
        (replace(pieces[0], bands_calm=bands), "blurred"),
    ):
        plain_set = evidence([first, *pieces[1:]], tuple(alike(k, k + 1) for k in range(2)))
        told = judged(replace(plain_set, sharper={(0, 1): -0.4, (1, 2): 0.0}))
        assert [finding.fault for finding in told["pieces"][0]["findings"] if finding.level != "note"] == [fault]


def test_what_the_head_does_to_all_scans_is_no_stretch_of_a_piece(look: Look) -> None:
    """Each piece of a column ends 1.2 % too long beside the beginning of the next one."""
    rows = ((0.8 * SIDE, SIDE), (0.0, 0.2 * SIDE))
    pairs = [course(k, k + 1, along=-0.012, spans=rows, ways=(np.inf, 60 / MM_PER_INCH * 300)) for k in range(3)]
    told = judged(replace(evidence([look] * 4), courses=tuple(pairs)))
    assert all(one.fault != "stretched" for piece in told["pieces"] for one in piece["findings"])


def test_a_piece_alone_is_not_blamed_while_a_spoiled_one_may_be_why(look: Look) -> None:
    """Three of four hang together, and the fourth's place is one of what they leave out."""
    seen = evidence([look] * 4, (alike(0, 1), alike(1, 2), alike(0, 2)))
    places = {"t0": (0, 0), "t1": (200, 0), "t2": (0, 200)}
    laid = {name: np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]]) for name, (x, y) in places.items()}
    at_corner = Layout("t0", laid, (), ()), Layout("t3", {"t3": np.eye(3)}, (), ())
    told = judged(replace(seen, layouts=at_corner))
    assert [(one.fault, one.level) for one in told["pieces"][3]["findings"]] == [("alone", "redo")]
    assert "gap" in [one.fault for one in told["set"]["findings"]]
    cut = replace(look, white=0.3)
    told = judged(replace(seen, layouts=at_corner, looks=(look, look, cut, look)))
    (finding,) = told["pieces"][3]["findings"]
    assert (finding.fault, finding.level) == ("alone", "note") and "what is wrong with t2 may be why" in finding.why
    assert told["verdict"] == "redo" and "gap" not in [one.fault for one in told["set"]["findings"]]
    # that one itself is to be scanned again all the same
    told = judged(replace(seen, layouts=at_corner, looks=(look, look, look, cut)))
    assert ("alone", "redo") in [(one.fault, one.level) for one in told["pieces"][3]["findings"]]
