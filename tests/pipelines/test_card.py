"""I check that the card's files are written, agree with each other, and say their size."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from stitchbed.card.board import all_pieces
from stitchbed.card.cgats import read_tables, references
from stitchbed.card.detection import find_cards
from stitchbed.cli.commands.card import command
from stitchbed.core.errors import BadSettings, WouldTouchOriginal
from stitchbed.pipelines.card import CardSettings, make_card
from stitchbed.pipelines.texts.card import summary as card_summary


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("card") / "card.pdf"
    result = CliRunner().invoke(command, ["-o", str(path), "--json"], catch_exceptions=False)
    assert result.exit_code == 0 and json.loads(result.output)["numbers"]["check_line_across_mm"] == 160
    return path


def test_files_and_the_size_they_state(made: Path) -> None:
    assert {p.name for p in made.parent.glob("[!.]*")} == {"card.pdf", "card.png", "card-corners.png", "card.txt"}
    assert made.read_bytes().startswith(b"%PDF-1.")
    with Image.open(made.with_suffix(".png")) as picture:
        dpi = picture.info["dpi"]
        assert dpi == pytest.approx((600, 600), abs=0.01)
        assert picture.size[0] / dpi[0] * 25.4 == pytest.approx(210, abs=0.05)  # A4, to a pixel
        assert picture.size[1] / dpi[1] * 25.4 == pytest.approx(297, abs=0.05)
        assert "icc_profile" in picture.info


def test_the_table_says_where_each_patch_lies_on_its_sheet(made: Path) -> None:
    known = references(read_tables(made.with_suffix(".txt")), "card.txt")
    names = [patch.name for piece in all_pieces() for patch in piece.patches]
    assert sorted(known.lab) == sorted(names) == sorted(known.places)
    with Image.open(made.with_suffix(".png")) as picture:
        page = np.asarray(picture)
    for name, light in (("N5", 60.0), ("N10", 10.0)):
        x, y, w, h = known.places[name] * 600 / 25.4
        code = page[int(y + h / 2), int(x + w / 2)]
        assert np.ptp(code.astype(int)) <= 1  # gray
        lightness = 116 * ((float(code[1]) / 255 + 0.055) / 1.055) ** (2.4 / 3) - 16  # L* of an sRGB gray above L* 8
        assert lightness == pytest.approx(light, abs=0.5)


def test_the_card_is_found_in_its_own_picture(made: Path) -> None:
    with Image.open(made.with_name("card-corners.png")) as picture:
        gray = np.asarray(picture.convert("L").reduce(4))
    cards, _ = find_cards(gray, "card")
    assert [card.piece for card in cards] == [f"corner {n}" for n in (1, 2, 3, 4)]


def test_a_measured_table_is_never_written_over(made: Path, tmp_path: Path) -> None:
    """The user puts measured colors into card.txt; another `card` must not take them away."""
    (tmp_path / "card.txt").write_text("measured, all afternoon")
    with pytest.raises(WouldTouchOriginal, match="--replace"):
        make_card((), tmp_path / "card.pdf")
    assert [p.name for p in tmp_path.iterdir()] == ["card.txt"]


def test_a_single_piece(tmp_path: Path) -> None:
    record = make_card((), tmp_path / "one.pdf", CardSettings(paper="letter", piece="corner"))
    text = card_summary(record, tmp_path / "one.pdf")
    assert len(record["outputs"]) == 3 and "Print at 100 %" in text


def test_settings_that_cannot_be(tmp_path: Path) -> None:
    for path, paper, piece in (("c.pdf", "A3", "full"), ("c.pdf", "A4", "half"), ("c.png", "A4", "full")):
        with pytest.raises(BadSettings):
            make_card((), tmp_path / path, CardSettings(paper, piece))
    assert list(tmp_path.iterdir()) == []
