"""I check that patch tables are read as makers write them, and refused in words when they are none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from stitchbed.card.cgats import PatchTable, parse_tables, plain_name, read_tables, references, written
from stitchbed.color.cielab import xyz_from_lab
from stitchbed.core.errors import BadSettings

# Smallest valid files of the two kinds; littleCMS 2.14 reads both (checked once, outside of this suite).
CGATS = """CGATS.17
ORIGINATOR "stitchbed test suite"
MEASUREMENT_SOURCE "Illumination=D50 ObserverAngle=2degree WhiteBase=Abs Filter=No"
# D50, 2 degree observer
NUMBER_OF_FIELDS 4
BEGIN_DATA_FORMAT
SAMPLE_ID LAB_L LAB_A LAB_B
END_DATA_FORMAT
NUMBER_OF_SETS 3
BEGIN_DATA
A1 95.00 0.00 -1.50
A2 50.00 0.10 0.00
"A 3" 2.0E+1 -0.30 1.25
END_DATA
"""
IT8 = """IT8.7/2
ORIGINATOR "stitchbed test suite"
MANUFACTURER "none"
PROD_DATE "2026:01"
NUMBER_OF_FIELDS 7
BEGIN_DATA_FORMAT
SAMPLE_ID XYZ_X XYZ_Y XYZ_Z LAB_L LAB_A LAB_B
END_DATA_FORMAT
NUMBER_OF_SETS 3
BEGIN_DATA
A01 5.00 4.20 2.60 24.31 13.97 4.92
GS00 80.74 83.80 67.55 93.37 -0.13 1.62
GS23 0.35 0.36 0.31 3.25 0.22 -0.34
END_DATA
"""


def lab_of(text: str) -> dict[str, list[float]]:
    return {name: list(row) for name, row in references(parse_tables(text, "file"), "file").lab.items()}


def test_both_minimal_files() -> None:
    assert lab_of(CGATS) == {"A1": [95, 0, -1.5], "A2": [50, 0.1, 0], "A3": [20, -0.3, 1.25]}
    assert lab_of(IT8) == {"A1": [24.31, 13.97, 4.92], "GS0": [93.37, -0.13, 1.62], "GS23": [3.25, 0.22, -0.34]}
    assert parse_tables(IT8, "x")[0].keywords["PROD_DATE"] == "2026:01"


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.replace("\n", "\r"),
        lambda text: text.replace("\n", "\n\n").replace("NUMBER_OF_SETS 3", "").replace("NUMBER_OF_FIELDS 4", ""),
        lambda text: text.replace("BEGIN", "begin").replace("END_DATA", "end_data").replace("LAB_L", "Lab_L"),
        lambda text: text.replace("95.00 0.00 -1.50", "95,00\t0,00\t-1,50  # paper"),
        lambda text: text.replace("A1 95.00 0.00 -1.50\nA2", "A1 95.00\n0.00 -1.50 A2"),
    ],
)
def test_real_files_vary(change: object) -> None:
    assert lab_of(change(CGATS)) == lab_of(CGATS)  # type: ignore[operator]


def test_latin_letters_and_a_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "table.txt"
    path.write_bytes(CGATS.replace("stitchbed test suite", "Prüfstelle").encode("latin-1"))
    assert read_tables(path)[0].keywords["ORIGINATOR"] == "Prüfstelle"
    path.write_bytes(b"\xef\xbb\xbf" + CGATS.encode())
    assert read_tables(path)[0].kind == "CGATS.17"


def test_xyz_and_xyy_become_the_same_lab() -> None:
    lab = np.array([55.0, 20.0, -30.0])
    x, y, z = 100 * xyz_from_lab(lab)
    total = x + y + z
    rows = [
        f"XYZ_X XYZ_Y XYZ_Z\n{x:.8f} {y:.8f} {z:.8f}",
        f"XYY_X XYY_Y XYY_CAPY\n{x / total:.10f} {y / total:.10f} {y:.8f}",
    ]
    for row in rows:
        names, values = row.split("\n")
        text = f"CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_NAME {names}\nEND_DATA_FORMAT\nBEGIN_DATA\nB7 {values}\nEND_DATA\n"
        assert references(parse_tables(text, "x"), "x").lab["B7"] == pytest.approx(lab, abs=1e-5)


def test_several_tables_the_first_with_color_counts() -> None:
    other = "CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_ID RGB_R\nEND_DATA_FORMAT\nBEGIN_DATA\nQ1 7\nEND_DATA\n"
    tables = parse_tables(other + CGATS, "x")
    assert len(tables) == 2
    assert list(references(tables, "x").lab) == ["A1", "A2", "A3"]


@pytest.mark.parametrize(
    ("name", "plain"), [("a01", "A1"), ("GS00", "GS0"), ("GS 10", "GS10"), ("L22", "L22"), ("007", "7")]
)
def test_names_are_made_alike(name: str, plain: str) -> None:
    assert plain_name(name) == plain


def test_written_tables_are_read_again_with_places() -> None:
    fields = ("SAMPLE_ID", "X_MM", "Y_MM", "W_MM", "H_MM", "LAB_L", "LAB_A", "LAB_B")
    table = PatchTable("CGATS.17", {"DESCRIPTOR": "two patches"}, fields, (
        ("N1", "1", "2", "3", "4", "95", "0", "0"), ("N 2", "5", "2", "3", "4", "50", "1", "-1"),
    ))  # fmt: skip
    text = written(table)
    again = references(parse_tables(text, "x"), "x")
    assert again.title == "two patches"
    assert list(again.places["N2"]) == [5, 2, 3, 4] and list(again.lab["N2"]) == [50, 1, -1]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no BEGIN_DATA"),
        ("just a letter to a friend\nabout ink\n", "no BEGIN_DATA"),
        ("\0\1\2" * 20, "not a text file"),
        (CGATS.replace("END_DATA\n", ""), "ends before END_DATA"),
        (CGATS.replace("-1.50\n", "\n"), "not a multiple of its 4 columns"),
        (CGATS.replace("NUMBER_OF_SETS 3", "NUMBER_OF_SETS 4"), "announces 4 patches and holds 3"),
        (CGATS.replace("LAB_", "RGB_"), "gives no color"),
        (CGATS.replace("SAMPLE_ID", "STDEV_X"), "names no patches"),
        (CGATS.replace("0.10", "o.1o"), "has no number"),
        (CGATS.replace("0.10", "nan"), "no finite number"),
        (CGATS.replace("A2 ", "A01 "), "patch A1 twice"),
        (CGATS.replace("Illumination=D50", "Illumination=D65"), "D65; D50 is needed"),
        ("CGATS.17\nBEGIN_DATA\nA1 1 2 3\nEND_DATA\n", "before BEGIN_DATA_FORMAT"),
    ],
)
def test_refused_in_words(text: str, words: str) -> None:
    with pytest.raises(BadSettings) as caught:
        references(parse_tables(text, "my.txt"), "my.txt")
    assert words in str(caught.value) and "my.txt" in str(caught.value)


def test_missing_and_huge_files(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match="cannot be read"):
        read_tables(tmp_path / "none.txt")
    big = tmp_path / "big.txt"
    big.write_bytes(b"a" * (17 * 2**20))
    with pytest.raises(BadSettings, match="longer than 16 MiB"):
        read_tables(big)
