"""I put the record's lists into tables of the proof page.

In: the record. Out: tables of plain cells; `templates/blocks.html` writes them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.report.blocks import Cell, Digest, PlaceLink, State, Swatches, Table
from stitchbed.report.records import mapping, number, rows

# ICC PCS (D50) to linear sRGB: Bradford-adapted primaries, inverse of the sRGB colorants of IEC 61966-2-1.
SRGB_FROM_D50 = np.linalg.inv(
    np.array([[0.43604, 0.38511, 0.14305], [0.22248, 0.71690, 0.06061], [0.01392, 0.09707, 0.71391]])
)
D50 = np.array([0.9642, 1.0, 0.8249])
MOST_LINES = 200  # of specks; more nobody reads
MOST_LISTED = 40  # values of one list; the record has all
PASSING = (
    "seconds",
    "started",
    "rows_taken_from_an_earlier_run",
)  # differ from run to run: the same work gives the same page
# Numbers of a record in words, by what they belong to; others are told by their key, its unit spelled out.
AS_A_DOT = "as much ink as a dot of, mm"
IN_WORDS = {
    "medium": {
        "tones": "share of what is drawn that is neither ink, paper nor an edge",
        "areas": "share of what is drawn in tones that spread like a wash",
        "colored": "share of what is drawn that is colored",
        "pale": "share of what is drawn with nothing as dark as ink near it",
        "uneven": "how much the middle of dark marks goes up and down, of the paper's light",
        "asked": "told by you",
        "other": "what else it may be",
    },
    "dust": {
        "candidates": "marks looked at",
        "dust": "specks taken",
        "dust_alone": "specks alone on paper",
        "dust_on_strokes": "specks on strokes",
        "dust_in_ink": "light specks in ink",
        "dust_fibers": "hairs",
        "doubtful": "marks in doubt, left",
        "largest_mm": "the largest speck taken, mm",
        "second_shows": "marks the other scan shows too",
        "second_lacks": "marks the other scan lacks",
        "second_unsure_share": "share of the page where the other scan was not asked",
        "seen_by_two_pieces": "marks that two pieces of the join show",
        "median_size_mm": "half of the specks are smaller than, mm",
        "changed_share": "share of the page that was changed",
        "excepted": "marks left because you said so",
    },
    "taken_places": {"size_mm": AS_A_DOT},
    "doubtful_places": {"size_mm": AS_A_DOT},
    "lens": {
        "k1": "bends lines, by the square of the way from the middle",
        "k2": "by its fourth power",
        "p1": "more at the top or bottom than opposite",
        "p2": "more at one side than opposite",
    },
    "": {
        "card_rms_px": "how far points of the cards lie off on the whole, pixels",
        "points_left_out": "points of cards that did not fit and were left out",
        "own_edges": "the edges are the work's own",
        "sides_doubtful": "it is in doubt which sides are the work's",
        "other_rectangle_mm": "another rectangle that may be the work, mm",
        "uncertainty_mm_95": "how far corners may lie off, mm, in 95 of 100 cases",
        "scale_uncertainty_95": "share the scale may be off, in 95 of 100 cases",
        "too_large_mm_per_mm": "mm too long for each mm that the work lies above the cards",
        "corners_px": "corners of the sheet, x and y in pixels of the scan as given",
        "spread_mm": "how far the side's edge bends, mm",
        "skew_deg": "askew by, degrees",
        "paper_linear_rgb": "light the paper sends back, of all: red, green, blue",
        "paper_lightness": "lightness of the paper, 0 black to 100 white",
        "cells_of_paper": "share of the sheet's cells that show bare paper",
        "white_point_lightness": "lightness that became white, of 100",
        "black_point_lightness": "lightness that became black, of 100",
        "ink_lightness": "lightness of the ink, of 100",
        "grain_share": "how much the paper's grain varies, of its light",
        "jaggedness_soft_px": "how far edges step from smooth lines as scanned, pixels",
        "jaggedness_hard_px": "how far edges would step if made crisp, pixels",
        "blur_px": "how soft the scan's edges are, pixels",
        "dust_per_cm2": "specks on a square centimeter",
        "ink_codes_8bit": "the ink's own color, red, green, blue, 0 to 255",
        "paper_begins_8bit": "from where on it is paper, 0 to 255",
        "inked_share": "share of the page that holds ink",
        "worst_over_white_8bit": "farthest from the page when laid over white, of 255",
    },
}
UNITS = {"px": "pixels", "mm": "mm", "mm2": "square mm", "deg": "degrees", "rad": "radians", "8bit": "of 255"}
GAP = "\u00a0"  # a space at which no line breaks
GRADES = ("quantity", "value", "unit", "limit", "grade", "source")

Listed = str | list["Listed"] | dict[str, "Listed"]


def links_table(record: Mapping[str, Any], places: Sequence[Mapping[str, Any]]) -> Table | None:
    """Links, the ones in trouble first, each with a button that shows its place."""
    where = {(place["a"], place["b"]): index for index, place in enumerate(places)}
    lines: list[tuple[Cell, ...]] = []
    for item in sorted(rows(record, "links"), key=_trouble, reverse=True):
        a, b = str(item.get("a")), str(item.get("b"))
        names = PlaceLink(f"{a} – {b}", where.get((a, b)))
        figures = (int(number(item.get("points"))), _figure(item, "rms_px"), _figure(item, "worst_px"))
        lines.append((names, _state(item), *figures))
    return _table("Links", ("pieces", "state", "points", "apart (rms), px", "apart at worst, px"), lines)


def pieces_table(record: Mapping[str, Any]) -> Table | None:
    """Originals, where they went, and their hashes."""
    if not any("width" in item for item in rows(record, "inputs")):
        files = [(str(item.get("name")), Digest(str(item.get("sha256") or ""))) for item in rows(record, "inputs")]
        return _table("Files", ("file", "sha256"), files)
    placed = {item.get("tile"): item for item in rows(record, "placements")}
    lines: list[tuple[Cell, ...]] = []
    for index, item in enumerate(rows(record, "inputs"), start=1):
        place = mapping(placed.get(item.get("name")))
        size = f"{int(number(item.get('width')))}{GAP}x{GAP}{int(number(item.get('height')))}"
        kind = pixel_kind(number(item.get("channels"), 3), number(item.get("bits"), 8))
        figures = (_figure(place, "rotation_deg"), _figure(place, "scale"), _figure(place, "sigma_px"))
        digest = Digest(str(item.get("sha256") or ""))
        lines.append((index, str(item.get("name")), size, _dpi(item.get("dpi")), kind, *figures, digest))
    head = ("no.", "piece", "px", "dpi", "pixels", "turned, degrees", "scale", "place sure to, px", "sha256")
    return _table("Pieces", head, lines)


def gains_table(record: Mapping[str, Any]) -> Table | None:
    """Gains, offsets and shading per piece."""
    lines: list[tuple[Cell, ...]] = []
    for index, item in enumerate(rows(record, "gains"), start=1):
        gain, offset = _series(item.get("gain"), 1, ".4f"), _series(item.get("offset"), 100, ".3f")
        lines.append((index, str(item.get("tile")), gain, offset, _series(item.get("shading_range"), 100, ".1f")))
    return _table("Gains", ("no.", "piece", "gain", "offset, %", "shading, %, least and most"), lines)


def color_table(color: Mapping[str, Any]) -> Table | None:
    """Patches of a card: wanted and found colors beside each other, before and after."""
    lines: list[tuple[Cell, ...]] = []
    for patch in rows(color, "patches"):
        before, after = (_swatches(patch.get("lab"), patch.get(key)) for key in ("before", "after"))
        lines.append(
            (str(patch.get("name")), before, _figure(patch, "de00_before"), after, _figure(patch, "de00_after"))
        )
    return _table(
        "Color patches", ("patch", "Lab wanted | before", "dE before", "Lab wanted | after", "dE after"), lines
    )


def grades_table(record: Mapping[str, Any]) -> Table | None:
    """Grades reached against published limits."""
    return _table("Grades", GRADES, [tuple(_plain(item.get(key)) for key in GRADES) for item in rows(record, "grades")])


def steps_table(record: Mapping[str, Any]) -> Table | None:
    """What each step found and said."""
    lines: list[tuple[Cell, ...]] = []
    for item in rows(record, "steps"):
        warned = item.get("warnings")
        words = "; ".join(str(line) for line in warned) if isinstance(warned, list) else ""
        lines.append((str(item.get("step")), in_words(mapping(item.get("numbers"))), words))
    return _table("Steps", ("step", "found", "warnings"), lines)


def lift_table(record: Mapping[str, Any]) -> Table | None:
    """Pieces that were off the glass somewhere, the worst first."""
    worst: dict[str, float] = {}
    for item in rows(record, "lift"):
        name = str(item.get("tile"))
        worst[name] = max(worst.get(name, 0.0), number(item.get("depth")))
    ordered = sorted(worst.items(), key=lambda pair: (-pair[1], pair[0]))
    return _table("Lift", ("piece", "light lost at worst, %"), [(name, round(100 * loss, 1)) for name, loss in ordered])


def dust_table(dust: Mapping[str, Any], dpi: float) -> Table | None:
    """Replaced specks, the largest first; mm, or px where the picture does not say its dpi."""
    spots = sorted(rows(dust, "spots"), key=lambda spot: -number(spot.get("radius_px")))
    unit, size = ("mm", MM_PER_INCH / dpi) if dpi > 0 else ("px", 1.0)
    lines: list[tuple[Cell, ...]] = [
        (
            *(round(number(spot.get(key)) * size, 1) for key in ("x", "y")),
            round(2 * number(spot.get("radius_px")) * size, 2),
            _plain(spot.get("from")),
        )
        for spot in spots[:MOST_LINES]
    ]
    head: tuple[str, ...] = (f"x, {unit}", f"y, {unit}", f"across, {unit}", "taken from")
    if not any(spot.get("from") for spot in spots):
        # what is filled is a little wider than the speck
        head, lines = (*head[:2], f"filled, {unit}"), [line[:3] for line in lines]
    return _table("Dust", head, lines)


def doubt_table(dust: Mapping[str, Any]) -> Table | None:
    """Marks that may be dust or drawn, the largest first; mm from the clean page's left and top."""
    keys = ("x_mm", "y_mm", "size_mm")
    lines: list[tuple[Cell, ...]] = [
        tuple(round(number(place.get(key)), 2) for key in keys) for place in rows(dust, "in_doubt")[:MOST_LINES]
    ]
    return _table("In doubt", ("x, mm", "y, mm", AS_A_DOT), lines)


def changes_table(record: Mapping[str, Any]) -> Table | None:
    """Places where pieces show different things, the largest first; mm from the canvas's left and top."""
    dpi = number(mapping(record.get("canvas")).get("dpi"))
    unit, size = ("mm", MM_PER_INCH / dpi) if dpi > 0 else ("px", 1.0)
    lines: list[tuple[Cell, ...]] = [
        (
            *(round(number(row.get(key)) * size, 1) for key in ("x", "y")),
            f"{number(row.get('width_mm')):g} x {number(row.get('height_mm')):g}",
            f"{_plain(row.get('a'))} and {_plain(row.get('b'))}",
            _plain(row.get("shown")),
            "left out as dirt" if row.get("mark") is True else "whole" if row.get("whole") is True else "a cut is left",
        )
        for row in rows(record, "changes")[:MOST_LINES]
    ]
    return _table("Changed between scans", (f"x, {unit}", f"y, {unit}", "mm", "pieces", "taken from", "how"), lines)


def lab_to_css(lab: Sequence[float]) -> str:
    """CIELAB D50 to "#rrggbb" sRGB, clipped. References: ICC.1:2022 annex A; IEC 61966-2-1:1999."""
    fy = (lab[0] + 16) / 116
    f = np.array([fy + lab[1] / 500, fy, fy - lab[2] / 200])
    xyz = D50 * np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29))
    linear = np.clip(SRGB_FROM_D50 @ xyz, 0, 1)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return "#" + "".join(f"{round(255 * float(value)):02x}" for value in encoded)


def pixel_kind(channels: float, bits: float) -> str:
    """What a pixel holds, in words."""
    color = {1: "gray", 2: "gray with alpha", 3: "color", 4: "color with alpha"}.get(
        int(channels), f"{channels:g} inks"
    )
    return f"{color}, {bits:g} bits"


def listed(value: object, of: str = "") -> Listed:
    """Any value as nested words: a mapping, a list of more than words, or one text. of : the key it stands under."""
    if isinstance(value, Mapping):
        return {named(str(key), of): listed(one, str(key)) for key, one in value.items() if key not in PASSING}
    if isinstance(value, list | tuple):
        shown = [listed(one, of) for one in value[:MOST_LISTED]]
        more = [f"and {len(value) - MOST_LISTED} more, in the record"] if len(value) > MOST_LISTED else []
        words = [one for one in shown if isinstance(one, str)]
        return ", ".join(words + more) or "none" if len(words) == len(shown) else shown + more
    if value is None or isinstance(value, bool):
        return "none" if value is None else "yes" if value else "no"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def named(key: str, of: str = "") -> str:
    """What a number of a record is called, its unit spelled out at the end. of : the key of what it belongs to."""
    told = IN_WORDS.get(of, {}).get(key) or IN_WORDS[""].get(key)
    if told:
        return told
    name, _, unit = key.rpartition("_")
    words = f"{name}, {UNITS[unit]}" if name and unit in UNITS else key
    return words.replace("_", " ").replace("de00", "dE")


def in_words(numbers: Mapping[str, Any]) -> str:
    """What a step found: its own words, else its plain numbers; of lists, how many values they have."""
    if "words" in numbers:
        return str(numbers["words"])
    plain = {
        key: f"{len(one)} values" if isinstance(one, list | tuple | Mapping) else one for key, one in numbers.items()
    }
    return " · ".join(f"{key} {value}" for key, value in mapping(listed(plain)).items())


def _table(name: str, head: tuple[str, ...], lines: Sequence[tuple[Cell, ...]]) -> Table | None:
    return Table(name, head, tuple(lines)) if lines else None


def _trouble(item: Mapping[str, Any]) -> tuple[bool, bool, float]:
    return bool(item.get("dropped")), bool(item.get("weak")), number(item.get("rms_px"))


def _state(item: Mapping[str, Any]) -> State:
    word = "dropped" if item.get("dropped") else "weak" if item.get("weak") else "used"
    return State(word, word == "used", str(item.get("reason") or ""))


def _figure(item: Mapping[str, Any], key: str) -> str | float:
    value = item.get(key)
    return round(number(value), 5) + 0.0 if isinstance(value, int | float) else ""  # + 0: not "-0"


def _dpi(value: object) -> str:
    if isinstance(value, list | tuple):
        return " x ".join(f"{number(item):g}" for item in dict.fromkeys(value))
    return f"{number(value):g}" if isinstance(value, int | float) else "not said"


def _series(value: object, times: float, style: str) -> str:
    if isinstance(value, list | tuple):
        return f",{GAP}".join(format(times * number(item), style) for item in value)
    return "" if value is None else str(value)


def _plain(value: object) -> Cell:
    if isinstance(value, float | str) or (isinstance(value, int) and not isinstance(value, bool)):
        return value
    return "" if value is None else in_words({"": value}).strip()


def _swatches(wanted: object, found: object) -> Swatches:
    """Both colors touching, as one looks for a border between them."""
    labs = [_lab(wanted), _lab(found)]
    words = " | ".join("none" if lab is None else ", ".join(f"{value:.1f}" for value in lab) for lab in labs)
    return Swatches(tuple(None if lab is None else lab_to_css(lab) for lab in labs), words)


def _lab(value: object) -> list[float] | None:
    if isinstance(value, list | tuple) and len(value) == 3:
        return [number(item) for item in value]
    return None
