"""I check the arithmetic of a plan against published numbers, and that its drawings show what it says."""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import pairwise, product
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from stitchbed.cli.commands.plan import command
from stitchbed.core import quantities as sizes
from stitchbed.core.errors import BadSettings, CannotWrite
from stitchbed.drawing.svg import SvgPage, write_drawing
from stitchbed.pipelines.plan import PlanSettings, advised_dpi, plan
from stitchbed.pipelines.texts.plan import summary as plan_summary
from stitchbed.planning import costs
from stitchbed.planning.captures import SIDES, best_layout, captures_along, grid_layout, mark_places
from stitchbed.planning.drawing import on_bed

A4_BED = (215.9, 297.2)  # mm; 8.5 x 11.7 in, a usual flatbed
A3_BED = (304.8, 431.8)  # mm; 12 x 17 in, a usual large flatbed (common practice, no source)


# Inches times dpi; the sizes 34 and 242 MiB often quoted for an 8-bit gray A4 scan are the truncated values.
@pytest.mark.parametrize(
    ("dpi", "size_px", "gray_mib", "rgb_mib", "rgb16_mib"),
    [
        (300, (2550, 3510), 8.5, 25.6, 51.2),
        (400, (3400, 4680), 15.2, 45.5, 91.0),
        (600, (5100, 7020), 34.1, 102.4, 204.9),
        (1200, (10200, 14040), 136.6, 409.7, 819.4),
        (1600, (13600, 18720), 242.8, 728.4, 1456.8),
    ],
)
def test_piece_sizes(dpi: int, size_px: tuple[int, int], gray_mib: float, rgb_mib: float, rgb16_mib: float) -> None:
    size = costs.pixels(8.5 * 25.4, dpi), costs.pixels(11.7 * 25.4, dpi)
    assert size == size_px
    found = [costs.picture_bytes(*size, costs.Depth(*depth)) / 2**20 for depth in ((1, 8), (3, 8), (3, 16))]
    assert found == pytest.approx([gray_mib, rgb_mib, rgb16_mib], abs=0.05)


def test_one_bit_page_of_the_literature() -> None:
    # Willis, A Hybrid Systems Approach to Preservation of Printed Materials (1992), App. A: 8.5 x 11 in, 600 dpi, 1 bit
    assert costs.picture_bytes(5100, 6600, costs.Depth(1, 1)) == pytest.approx(4_207_500, abs=6600)


@pytest.mark.parametrize(
    ("sheet", "dpi", "size_px", "gib"),
    [
        ("A2", 600, (9921, 14031), 0.78),
        ("A1", 600, (14031, 19866), 1.56),
        ("A0", 600, (19866, 28087), 3.12),
        ("A1", 1200, (28063, 39732), 6.23),
        ("A0", 1200, (39732, 56173), 12.47),
    ],
)
def test_master_sizes(sheet: str, dpi: int, size_px: tuple[int, int], gib: float) -> None:
    width, height = sizes.paper_mm(sheet) or (0, 0)
    size = costs.pixels(width, dpi), costs.pixels(height, dpi)
    # one px: ISO 216's rounded mm leave the last pixel to the rounding rule
    assert np.abs(np.subtract(size, size_px)).max() <= 1
    assert costs.picture_bytes(*size, costs.Depth(3, 16)) / 2**30 == pytest.approx(gib, abs=0.005)


# n = ceil((L - o) / (b - o)) along both sides, the better of the two ways to lay the bed
@pytest.mark.parametrize(
    ("sheet", "overlap", "count"),
    [
        *(("A3", 25, 3), ("A2", 25, 6), ("A1", 25, 9), ("A0", 25, 21), ("Arch D", 25, 15)),
        *(("A3", 50, 3), ("A2", 50, 8), ("A1", 50, 15), ("A0", 50, 25), ("Arch D", 50, 16)),
    ],
)
def test_pieces_on_an_a4_bed(sheet: str, overlap: float, count: int) -> None:
    art = sizes.paper_mm(sheet)
    assert art is not None
    grids = [grid_layout(art, A4_BED, overlap_mm=overlap, closed=(), bed_turned=turned) for turned in (False, True)]
    assert min(len(grid.captures) for grid in grids) == count
    assert len(best_layout(art, A4_BED, overlap_mm=overlap).captures) <= count


# The same formula by hand at 25 mm: A2 across (1 x 3), A1 across (2 x 3), A0 upright (3 x 3)
@pytest.mark.parametrize(("sheet", "count"), [("A2", 3), ("A1", 6), ("A0", 9)])
def test_pieces_on_an_a3_bed(sheet: str, count: int) -> None:
    art = sizes.paper_mm(sheet)
    assert art is not None
    assert len(best_layout(art, A3_BED, overlap_mm=25).captures) == count


def test_iso_and_arch_names() -> None:
    # ISO 216: each size halves the last, rounded down
    a_sizes = [(841, 1189), (594, 841), (420, 594), (297, 420), (210, 297), (148, 210)]
    b_sizes = [(1000, 1414), (707, 1000), (500, 707), (353, 500), (250, 353), (176, 250)]
    assert [sizes.paper_mm(f"A{n}") for n in range(6)] == a_sizes
    assert [sizes.paper_mm(f"B{n}") for n in range(6)] == b_sizes
    assert sizes.paper_mm("arch d") == pytest.approx((609.6, 914.4))
    assert sizes.paper_mm("A27") is None
    # ISO 216 ends at 10: A10 26 x 37 mm, B10 31 x 44 mm; ANSI/ASME Y14.1 sizes A and B are 8.5 x 11 and 11 x 17 in
    assert [sizes.paper_mm(name) for name in ("A10", "din b10")] == [(26, 37), (31, 44)]
    assert sizes.paper_mm("Letter") == pytest.approx((215.9, 279.4))
    assert sizes.paper_mm("TABLOID") == pytest.approx((279.4, 431.8))
    assert sizes.paper_mm("legal") == pytest.approx((215.9, 355.6))


def test_format_limits() -> None:
    rgb16, rgb8 = costs.Depth(3, 16), costs.Depth(3, 8)
    # 4 GiB = 2**32 bytes are passed by a square of 26755 px in 16-bit color and of 37838 px in 8 bits (TIFF 6.0)
    for depth, side in ((rgb16, 26755), (rgb8, 37838)):
        assert costs.formats_for(side - 1, side - 1, depth)["TIFF"] == "fits"
        assert costs.formats_for(side, side, depth)["TIFF"].startswith("too large")
        assert costs.formats_for(side, side, depth)["BigTIFF"] == "fits"
    # JPEG libraries stop at 65500 px, WebP at 16383 (RFC 9649)
    assert costs.formats_for(65500, 100, rgb8)["JPEG"] == "fits"
    assert costs.formats_for(65501, 100, rgb8)["JPEG"].startswith("too long")
    assert costs.formats_for(16383, 100, rgb8)["WebP"] == "fits"
    assert costs.formats_for(16384, 100, rgb8)["WebP"].startswith("too long")
    assert "8-bit" in costs.formats_for(100, 100, rgb16)["JPEG"]


def test_time_grows_between_twice_and_four_times_per_doubling() -> None:
    assert costs.scan_seconds((40, 300), 600) == (80, 160)
    assert costs.scan_seconds((40, 600), 300) == (10, 20)
    assert costs.scan_seconds((40, 300), 300) == (40, 40)


@pytest.mark.parametrize(
    ("use", "advised", "least"),
    [("print-same-size", 600, 300), ("enlarge 2x", 600, 600), ("enlarge 3x", 1200, 900), ("web", 300, 150)],
)
def test_advice_follows_from_300_dpi_in_print(use: str, advised: int, least: int) -> None:
    advice = advised_dpi(use, None)
    assert (advice["advised"], advice["least"]) == (advised, least)
    assert advice["cautions"] == []


def test_advice_warns_below_print_and_beyond_optics() -> None:
    assert any("least for print" in line for line in advised_dpi("print-same-size", 200)["cautions"])
    # Simcoe 2009: 600 to 1200 dpi is where flatbed technology ends
    assert any("compare" in line for line in advised_dpi("enlarge 8x", None)["cautions"])
    assert any("compare" in line for line in advised_dpi("print-same-size", 2400)["cautions"])


@pytest.mark.parametrize("art", [(420, 594), (594, 420), (300, 250), (900, 297), (841, 1189)])
@pytest.mark.parametrize("closed", [(), ("top",), ("left",), ("top", "left")])
def test_captures_cover_the_sheet_and_hang_over_open_sides(art: tuple[float, float], closed: tuple[str, ...]) -> None:
    layout = best_layout(art, (216, 297), overlap_mm=30, closed=closed)
    covered = np.zeros((round(art[1]), round(art[0])), bool)
    for capture in layout.captures:
        rows = slice(max(0, round(capture.y_mm)), round(capture.y_mm + capture.height_mm))
        covered[rows, max(0, round(capture.x_mm)) : round(capture.x_mm + capture.width_mm)] = True
        corners = [on_bed(corner, capture) for corner in ((0.0, 0.0), art)]
        low, high = np.min(corners, axis=0), np.max(corners, axis=0)
        beyond = {"left": low[0] < -1, "top": low[1] < -1, "right": high[0] > 217, "bottom": high[1] > 298}
        assert {side for side in SIDES if beyond[side]} == set(capture.hangs_over)
        assert capture.reachable == (not set(closed) & set(capture.hangs_over))
    assert covered.all()
    assert [capture.number for capture in layout.captures] == list(range(1, len(layout.captures) + 1))
    assert all(overlap is None or overlap >= 30 - 1e-6 for overlap in layout.overlap_mm)


def test_two_rows_are_reached_by_turning_three_are_not() -> None:
    two = grid_layout((420, 560), (216, 297), overlap_mm=25, closed=("top",), bed_turned=False)
    assert {(c.row, c.turn_deg, c.sheet_side_at["top"]) for c in two.captures} == {(0, 0, "top"), (1, 180, "bottom")}
    assert two.unreachable == ()
    three = grid_layout((420, 800), (216, 297), overlap_mm=25, closed=("top",), bed_turned=False)
    assert {c.row for c in three.captures if not c.reachable} == {1}


def test_a_reachable_layout_is_preferred_to_a_smaller_one() -> None:
    # upright 2 x 3 = 6 leaves the middle row out of reach; across 2 x 5 = 10 reaches all; the first and the last row
    # upright and two rows across between them reach all with 8
    layout = best_layout((390.0, 800.0), (216, 297), overlap_mm=25, closed=("top",))
    assert (layout.bed_turned, len(layout.captures), layout.unreachable) == (None, 8, ())
    by_row = {row: {c.turn_deg for c in layout.captures if c.row == row} for row in range(layout.rows)}
    assert by_row == {0: {0}, 1: {90, 270}, 2: {90, 270}, 3: {180}}
    assert len(best_layout((390.0, 800.0), (216, 297), overlap_mm=25).captures) == 6


def _out_of_reach(
    art: tuple[float, float], seen: tuple[float, float], counts: tuple[int, int], closed: set[str]
) -> int:
    """Captures of an even grid no turn of which keeps the sheet off the closed sides, from the corners alone."""
    across = seen[0] > seen[1]
    lost = 0
    for col, row in product(*map(range, counts)):
        x, y = (
            (length - side) * (index / (count - 1) if count > 1 else 0.5)
            for length, side, index, count in zip(art, seen, (col, row), counts, strict=True)
        )
        beyond = [y > 0.5, x + seen[0] < art[0] - 0.5, y + seen[1] < art[1] - 0.5, x > 0.5]  # top, right, bottom, left
        # a quarter turn clockwise brings what was at the left to the top
        lying = [[beyond[(side - turn) % 4] for side in range(4)] for turn in ((1, 3) if across else (0, 2))]
        lost += all(any(hangs[SIDES.index(side)] for side in closed) for hangs in lying)
    return lost


def _sequences(length: float, sides: tuple[float, float], overlap: float) -> Iterator[tuple[int, ...]]:
    """Every order of two sides that covers a length, ended as soon as it does; two also where one is enough."""
    tried: list[tuple[int, ...]] = [(0,), (1,)]
    while tried:
        one = tried.pop()
        if sum(sides[k] for k in one) - overlap * (len(one) - 1) >= length - 1e-9:
            yield from (one, (*one, 0), (*one, 1)) if len(one) == 1 else (one,)
        else:
            tried += [(*one, 0), (*one, 1)]


def _places(length: float, sides: list[float]) -> list[float]:
    if len(sides) == 1:
        return [(length - sides[0]) / 2]
    shared = (sum(sides) - length) / (len(sides) - 1)
    return [sum(sides[:k]) - k * shared for k in range(len(sides))]


def _all_strips(
    art: tuple[float, float], bed: tuple[float, float], overlap: float, closed: set[str]
) -> list[tuple[int, int]]:
    """(out of reach, captures) of every order of rows, and of columns, that covers the sheet, some upright, some not;
    in those as low as the lower kind every order of captures, laid either way, is tried too.
    """
    beds = (bed, bed[::-1])

    def lost(axis: int, down: float, along: float, k: int) -> bool:
        spare = art[axis] - beds[k][axis]  # no capture lies farther beside the sheet than it must
        down = min(down, spare) if spare > 0 else spare / 2
        x, y = (along, down) if axis == 1 else (down, along)
        beyond = [y > 0.5, x + beds[k][0] < art[0] - 0.5, y + beds[k][1] < art[1] - 0.5, x > 0.5]
        lying = [[beyond[(side - turn) % 4] for side in range(4)] for turn in ((1, 3) if k else (0, 2))]
        return all(any(hangs[SIDES.index(side)] for side in closed) for hangs in lying)

    found = []
    for axis in (0, 1):
        sides, other = (bed[axis], bed[1 - axis]), (bed[1 - axis], bed[axis])
        rows = list(_sequences(art[1 - axis], other, overlap))
        taken: dict[tuple[float, int], tuple[int, int]] = {}
        for strips in _sequences(art[axis], sides, overlap):
            for down, k in zip(_places(art[axis], [sides[k] for k in strips]), strips, strict=True):
                if (down, k) not in taken:
                    tried = [row for row in rows if set(row) == {k} or (closed and sides[k] == min(sides))]
                    taken[down, k] = min(
                        (sum(lost(axis, down, at, lie) for at, lie in zip(starts, row, strict=True)), len(row))
                        for row in tried
                        for starts in (_places(art[1 - axis], [other[lie] for lie in row]),)
                    )
            parts = [taken[at] for at in zip(_places(art[axis], [sides[k] for k in strips]), strips, strict=True)]
            found.append((sum(lost for lost, _ in parts), sum(count for _, count in parts)))
    return found


@pytest.mark.parametrize("seed", range(80))
def test_no_other_way_reaches_more_or_takes_fewer(seed: int) -> None:
    rng = np.random.default_rng(seed)
    bed = tuple(sorted(rng.uniform((150, 220), (320, 460))))
    art = tuple(rng.uniform(0.5, 4.0, 2) * bed[0])
    overlap = float(rng.uniform(0.05, 0.35) * bed[0])
    closed = set(rng.choice(SIDES, rng.integers(0, 4), replace=False).tolist())
    tried = _all_strips(art, bed, overlap, closed)
    for seen in (bed, bed[::-1]):
        least = [captures_along(length, side, overlap) for length, side in zip(art, seen, strict=True)]
        for counts in product(*(range(n, n + 3) for n in least)):
            tried.append((_out_of_reach(art, seen, counts, closed), counts[0] * counts[1]))
    layout = best_layout(art, bed, overlap_mm=overlap, closed=closed)
    assert (len(layout.unreachable), len(layout.captures)) == min(tried)
    for x, y in rng.uniform((0, 0), art, (60, 2)):
        inside = [c.x_mm <= x <= c.x_mm + c.width_mm and c.y_mm <= y <= c.y_mm + c.height_mm for c in layout.captures]
        assert any(inside)
    assert all(shared is None or shared > overlap - 0.01 for shared in layout.overlap_mm)


def test_more_in_reach_goes_before_fewer_captures() -> None:
    # upright 4 x 4 = 16 leaves the two inner rows (8) out of reach, across 3 x 6 = 18 the middle column (6); a column
    # upright, one across, and one in which both ends are upright leave 2
    layout = best_layout((600.0, 1000.0), (216, 297), overlap_mm=25, closed=("top",))
    assert (layout.bed_turned, len(layout.captures), len(layout.unreachable)) == (None, 15, 2)


def test_rows_laid_both_ways_are_told_and_drawn(tmp_path: Path) -> None:
    record = plan((), [tmp_path / "plan.svg"], PlanSettings("390x800mm", "216x297mm", overlap="25mm"))
    assert record["layout"]["bed_turned"] is None
    text = plan_summary(record, None)
    assert "at most 2 across, 4 down; the sheet lies upright in some and across the bed in others" in text
    assert [text.count(f"turned {turn} deg") for turn in (0, 90, 180, 270)] == [2, 2, 2, 2]
    page = (tmp_path / "plan.svg").read_text()
    assert "OUT OF REACH" not in page
    marks = [tuple(mark) for mark in record["layout"]["marks_mm"]]
    for x, y in marks:  # each is seen whole by two captures at least
        seen = [
            one["x_mm"] + 5 < x < one["x_mm"] + one["width_mm"] - 5 and one["y_mm"] < y < one["y_mm"] + one["height_mm"]
            for one in record["layout"]["captures"]
        ]
        assert sum(seen) >= 2


def test_out_of_reach_is_told_with_ways_out(tmp_path: Path) -> None:
    record = plan((), [tmp_path / "plan.svg"], PlanSettings("900x900mm", "216x297mm"))
    text = plan_summary(record, None)
    lost = record["layout"]["unreachable"]
    assert lost
    for words in ("hinge", "support", "photograph", ", ".join(map(str, lost))):
        assert words in text
    page = (tmp_path / "plan.svg").read_text()
    assert page.count("out of reach</text>") == len(lost)
    assert "OUT OF REACH" in page


def test_hundreds_of_captures_are_refused_at_once() -> None:
    with pytest.raises(BadSettings, match="captures of 1 x 1 mm"):
        plan((), None, PlanSettings("A0", "1x1mm"))
    assert len(plan((), None, PlanSettings("A0", "100x100mm", overlap="5mm"))["layout"]["captures"]) == 117


def test_one_bit_is_gray_only() -> None:
    with pytest.raises(BadSettings, match="1 bit"):
        plan((), None, PlanSettings("A2", "A4", depth=costs.Depth(3, 1)))
    assert plan((), None, PlanSettings("A2", "A4", depth=costs.Depth(1, 1)))["costs"]["bits"] == 1


def test_the_sheet_is_turned_only_once() -> None:
    grid = grid_layout((420, 594), (216, 297), overlap_mm=40, closed=("top",), bed_turned=True)
    for layout, count in ((grid, 2), (best_layout((420, 594), (216, 297), overlap_mm=40, closed=("top",)), 3)):
        turns = [capture.turn_deg for capture in layout.captures]
        assert sum(a != b for a, b in pairwise(turns)) == len(set(turns)) - 1 == count - 1


def test_marks_lie_on_the_margin_and_in_overlaps() -> None:
    art = (420.0, 594.0)
    layout = best_layout(art, (216, 297), overlap_mm=30)
    marks = mark_places(layout, art)
    assert marks
    for x, y in marks:
        seen = [
            capture.number
            for capture in layout.captures
            if capture.x_mm + 5 < x < capture.x_mm + capture.width_mm - 5
            and capture.y_mm + 5 < y < capture.y_mm + capture.height_mm - 5
        ]
        assert len(seen) >= 2
        assert min(x, y, art[0] - x, art[1] - y) <= 16


def test_drawing_shows_every_capture(tmp_path: Path) -> None:
    svg, png = tmp_path / "plan.svg", tmp_path / "plan.png"
    record = plan((), [svg, png], PlanSettings("A2", "216x297mm", timed="38s@300"))
    text = plan_summary(record, None)
    count = len(record["layout"]["captures"])
    root = ElementTree.parse(svg).getroot()
    words = [element.text for element in root.iter("{http://www.w3.org/2000/svg}text")]
    assert all(words.count(str(number)) == 2 for number in range(1, count + 1))  # on the map and beside it
    assert (root.get("width"), root.get("height")) == ("210mm", "297mm")
    with Image.open(png) as image:
        assert image.size == (1240, 1754)  # A4 at 150 dpi
        assert image.info["dpi"] == pytest.approx((150, 150), abs=0.1)
        assert 0.05 < np.mean(np.asarray(image.convert("L")) < 250) < 0.6  # neither empty nor full
    for words_needed in ("Wet, pastel", "conservator", "rights", "no master", "76 s to 3 min"):  # 38 s: 76 to 152 s
        assert words_needed in text


def test_drawing_refuses_other_names_and_folders(tmp_path: Path) -> None:
    with pytest.raises(BadSettings):
        plan((), [tmp_path / "plan.pdf"], PlanSettings("A2", "A4"))
    with pytest.raises(CannotWrite):
        plan((), [tmp_path / "missing" / "plan.svg"], PlanSettings("A2", "A4"))
    assert list(tmp_path.iterdir()) == []


NONSENSE = [
    *({"art": "420"}, {"art": "0x5mm"}, {"art": "1..2x3"}, {"bed": "x"}),
    *({"use": "poster"}, {"timed": "fast"}, {"overlap": "-3mm"}, {"overlap": "300mm"}),
]


@pytest.mark.parametrize("words", NONSENSE)
def test_nonsense_is_refused_in_words(words: dict[str, str]) -> None:
    with pytest.raises(BadSettings) as caught:
        plan((), None, PlanSettings(**{"art": "A2", "bed": "216x297mm", **words}))
    assert caught.value.attempt


def test_sizes_in_other_units() -> None:
    assert sizes.size_mm("18x24in", option="--art") == pytest.approx((457.2, 609.6))
    for words in ("42 x 59.4 cm", "42x59,4cm", "42 cm x 594 mm", "420 × 594"):
        assert sizes.size_mm(words, option="--art") == pytest.approx((420, 594))
    for words in ("18 x 24 inches", '18" x 24"', "18in*24in"):
        assert sizes.size_mm(words, option="--art") == pytest.approx((457.2, 609.6))
    with pytest.raises(BadSettings, match=r"1189 or 1\.189"):
        sizes.size_mm("841x1,189mm", option="--art")
    with pytest.raises(BadSettings, match="letter, legal, tabloid"):
        sizes.size_mm("foolscap", option="--art")
    assert sizes.timing("38,5 s @ 300 dpi") == (38.5, 300)
    assert sizes.enlargement("enlarge 1,5x") == 1.5
    assert sizes.length_mm("2,5 cm", option="--overlap", whole_mm=216) == pytest.approx(25)
    assert sizes.length_mm("20%", option="--overlap", whole_mm=216) == pytest.approx(43.2)


def test_captures_along_edges_of_the_formula() -> None:
    assert captures_along(297, 297, 25) == 1
    assert captures_along(297.1, 297, 25) == 2
    assert captures_along(569, 297, 25) == 2
    assert captures_along(569.1, 297, 25) == 3


def test_command_prints_record_only(tmp_path: Path) -> None:
    drawing = tmp_path / "p.svg"
    words = ["--art", "A1", "--bed", "216x297mm", "--closed", "none", "--overlap", "25mm", "--drawing", str(drawing)]
    done = CliRunner().invoke(command, [*words, "--json"])
    record = json.loads(done.stdout)
    assert done.exit_code == 0
    assert record["command"] == "plan"
    assert len(record["layout"]["captures"]) == 9
    assert record["costs"]["bigtiff"] is False
    assert drawing.exists()
    assert "captures: sheet 594 x 841 mm" in CliRunner().invoke(command, ["--art", "A1", "--bed", "A4"]).output
    assert CliRunner().invoke(command, ["--art", "A1"]).exit_code == 2


def test_titles_are_escaped(tmp_path: Path) -> None:
    write_drawing(tmp_path / "empty.svg", SvgPage(10, 10, (), 'a "title" & <more>'))
    assert ElementTree.parse(tmp_path / "empty.svg").getroot()[0].text == 'a "title" & <more>'
