"""I read and write tables of patches as plain text: CGATS.17 (ISO 28178) and the reference files of ISO 12641 targets.

In: text as instruments and makers write it. Out: frozen tables, patch references in CIELAB D50, text again.

Real files vary, so lower case, blank lines, comments, carriage returns, Latin-1 letters, decimal commas and missing
counts are taken as they come; what cannot be understood is refused in words.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from stitchbed.color.cielab import lab_from_xyz
from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings
from stitchbed.core.files import read_file

TOKEN = re.compile(r'"([^"]*)"|(\S+)')
LARGEST_BYTES = 16 * 2**20  # a reference file is some kilobytes; anything this long is another kind of file
PLACE_FIELDS = ("X_MM", "Y_MM", "W_MM", "H_MM")


@dataclass(frozen=True)
class PatchTable:
    """One table. kind : first line, such as "CGATS.17". fields : upper case. rows : words as written, one per field."""

    kind: str
    keywords: Mapping[str, str]
    fields: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class References:
    """What patches should be.

    lab : name -> (3,) CIELAB D50, names made alike by `plain_name`.
    places : name -> (4,) x, y, width, height in mm, empty when the file gives none. title : DESCRIPTOR or file name.
    """

    lab: Mapping[str, Array]
    places: Mapping[str, Array] = field(default_factory=dict)
    title: str = ""


def read_tables(path: Path) -> tuple[PatchTable, ...]:
    """All tables of a file.

    Raises
    ------
    BadSettings : the file cannot be read or is not such a table.
    Reference: ISO 28178:2009 (CGATS.17), clause 5; ISO 12641:1997, clause 5 for the same form.
    """
    try:
        data = read_file(path, LARGEST_BYTES)
    except OSError as error:
        raise _bad(str(path), f"cannot be read ({_uncapped(error.strerror or str(error))})") from error
    return parse_tables(data.decode("utf-8-sig" if data[:3] == b"\xef\xbb\xbf" else "latin-1"), str(path))


def parse_tables(text: str, name: str) -> tuple[PatchTable, ...]:
    """All tables of a text; `name` stands in messages.

    Raises
    ------
    BadSettings : no table in it, a value missing, a format without its end.
    """
    words = _words(text, name)
    tables: list[PatchTable] = []
    kind, keywords, fields = "", {}, ()  # type: str, dict[str, str], tuple[str, ...]
    for number, line in words:
        head = line[0].upper()
        if head == "BEGIN_DATA_FORMAT":
            fields = tuple(word.upper() for word in _until(words, "END_DATA_FORMAT", line[1:], name))
        elif head == "BEGIN_DATA":
            rows = _rows(_until(words, "END_DATA", line[1:], name), fields, f"{name}, line {number}")
            _check_count(keywords, len(rows), name)
            tables.append(PatchTable(kind, dict(keywords), fields, rows))
        elif not kind:
            kind = line[0]
        else:
            keywords[head] = " ".join(line[1:])
    if not tables:
        raise _bad(name, "holds no BEGIN_DATA ... END_DATA table")
    return tuple(tables)


def references(tables: Sequence[PatchTable], name: str) -> References:
    """Patch colors of the first table that gives any.

    Raises
    ------
    BadSettings : no color columns, a number that is none, a name given twice with different colors, not D50.
    """
    for table in tables:
        columns = _color_columns(table)
        if columns is not None:
            _check_light(table, name)
            return _references_of(table, columns, name)
    found = ", ".join(tables[0].fields[:12]) or "none"
    raise _bad(name, f"gives no color of its patches (columns: {found}); LAB_L LAB_A LAB_B or XYZ_X XYZ_Y XYZ_Z needed")


def plain_name(name: str) -> str:
    """A patch name without leading zeros and spaces, upper case: "a01" -> "A1", "GS00" -> "GS0"."""
    return re.sub(r"(?<![0-9])0+(?=[0-9])", "", re.sub(r"\s+", "", name.upper()))


def written(table: PatchTable) -> str:
    """The table as text.

    Reference: ISO 28178:2009 (CGATS.17), clause 5.
    """
    lines = [table.kind, *(f'{key} "{value}"' for key, value in table.keywords.items())]
    custom = [name for name in table.fields if name.endswith("_MM")]
    lines += [f'KEYWORD "{name}"' for name in custom]
    lines += [f"NUMBER_OF_FIELDS {len(table.fields)}", "BEGIN_DATA_FORMAT", "\t".join(table.fields), "END_DATA_FORMAT"]
    lines += [f"NUMBER_OF_SETS {len(table.rows)}", "BEGIN_DATA"]
    lines += ["\t".join(f'"{word}"' if re.search(r"\s", word) else word for word in row) for row in table.rows]
    return "\n".join([*lines, "END_DATA", ""])


def _words(text: str, name: str) -> Iterator[tuple[int, list[str]]]:
    """(line number, words) of each line that says something; comments taken off."""
    if "\0" in text:
        raise _bad(name, "is not a text file")
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text), start=1):
        found = [(m.start(), m[1] if m[1] is not None else m[2]) for m in TOKEN.finditer(line)]
        words = []
        for start, word in found:
            if line[start] == "#":
                break
            words.append(word)
        if words:
            yield number, words


def _until(lines: Iterator[tuple[int, list[str]]], end: str, begun: list[str], name: str) -> list[str]:
    """All words up to the line that begins with `end`."""
    words = list(begun)
    for _, line in lines:
        if line[0].upper() == end:
            return words
        words += line
    raise _bad(name, f"ends before {end}")


def _rows(words: list[str], fields: tuple[str, ...], place: str) -> tuple[tuple[str, ...], ...]:
    if not fields:
        raise _bad(place, "starts its data before BEGIN_DATA_FORMAT named the columns")
    if len(words) % len(fields):
        raise _bad(place, f"holds {len(words)} values, which is not a multiple of its {len(fields)} columns")
    return tuple(tuple(words[i : i + len(fields)]) for i in range(0, len(words), len(fields)))


def _check_count(keywords: dict[str, str], rows: int, name: str) -> None:
    stated = keywords.get("NUMBER_OF_SETS", "")
    if stated.isdigit() and int(stated) != rows:
        raise _bad(name, f"announces {stated} patches and holds {rows}")


def _color_columns(table: PatchTable) -> tuple[str, ...] | None:
    for columns in (("LAB_L", "LAB_A", "LAB_B"), ("XYZ_X", "XYZ_Y", "XYZ_Z"), ("XYY_X", "XYY_Y", "XYY_CAPY")):
        if all(column in table.fields for column in columns):
            return columns
    return None


def _check_light(table: PatchTable, name: str) -> None:
    """Colors given for another illuminant than D50 cannot be compared."""
    said = " ".join(table.keywords.get(key, "") for key in ("MEASUREMENT_SOURCE", "WEIGHTING_FUNCTION", "ILLUMINANT"))
    other = re.search(r"\b(D55|D65|D75|ILLUMINATION\s*=\s*[AC]\b)", said.upper())
    if other and "D50" not in said.upper():
        raise _bad(name, f"gives its colors for {other[1]}; D50 is needed")


def _references_of(table: PatchTable, columns: tuple[str, ...], name: str) -> References:
    key = next((i for i, f in enumerate(table.fields) if f in ("SAMPLE_ID", "SAMPLE_NAME", "SAMPLE_LOC")), None)
    if key is None:
        raise _bad(name, "names no patches (column SAMPLE_ID)")
    placed = all(column in table.fields for column in PLACE_FIELDS)
    lab: dict[str, Array] = {}
    places: dict[str, Array] = {}
    for row in table.rows:
        patch = plain_name(row[key])
        color = _lab_of(columns, _numbers(table, row, columns, name))
        if patch in lab and not np.allclose(lab[patch], color):
            raise _bad(name, f"gives patch {patch} twice with different colors")
        lab[patch] = color
        if placed:
            places[patch] = _numbers(table, row, PLACE_FIELDS, name)
    return References(lab, places, table.keywords.get("DESCRIPTOR", "") or Path(name).name)


def _lab_of(columns: tuple[str, ...], values: Array) -> Array:
    if columns[0] == "LAB_L":
        return values
    if columns[0] == "XYZ_X":
        return lab_from_xyz(values / 100)
    x, y, luminance = values
    return lab_from_xyz(np.array([x / y, 1.0, (1 - x - y) / y]) * luminance / 100)


def _numbers(table: PatchTable, row: tuple[str, ...], columns: Sequence[str], name: str) -> Array:
    words = [row[table.fields.index(column)] for column in columns]
    try:
        values = np.array([float(word.replace(",", ".")) for word in words])
    except ValueError as error:
        raise _bad(
            name, f"has no number where {' '.join(columns)} of patch {row[0]} should be ({' '.join(words)})"
        ) from error
    if not np.all(np.isfinite(values)):
        raise _bad(name, f"has no finite number in {' '.join(columns)} of patch {row[0]}")
    return values


def _uncapped(words: str) -> str:
    """The system's words as part of a sentence; units in them stay as they are."""
    return words[:1].lower() + words[1:]


def _bad(name: str, found: str) -> BadSettings:
    return BadSettings(
        f"{name} {found}",
        expected="a patch table as text (CGATS.17 / ISO 28178, or an ISO 12641 reference file) with D50 colors",
        attempt="the file that came with the chart, or card.txt as `card` writes it with measured values filled in",
    )
