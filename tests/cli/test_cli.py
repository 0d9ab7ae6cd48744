"""I check the command line of the main job on the demonstration tiles: every option once, and how it answers."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
import tolerances as tol
from click.testing import CliRunner, Result
from joined import DPI, hashes_of

from stitchbed.cli import COMMANDS
from stitchbed.cli import stitchbed as command_line
from stitchbed.cli.commands.join import command as join_command
from stitchbed.cli.options import Bytes
from stitchbed.core.errors import BadSettings, WouldTouchOriginal
from stitchbed.core.files import MADE
from stitchbed.core.record import VERSION
from stitchbed.mosaic.hints.kinds import KINDS

DEMO = Path(__file__).parents[2] / "demo_tiles"
TRUTH = json.loads((DEMO / "truth.json").read_text())
PIECES = [DEMO / piece["file"] for piece in TRUTH["pieces"]]


def _run(*words: object) -> Result:
    return CliRunner().invoke(command_line, [str(word) for word in words], standalone_mode=False)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result, list[str]]:
    """All tiles of the demonstration, joined with every option that may go with the others."""
    folder = tmp_path_factory.mktemp("demo")
    before = hashes_of(PIECES)
    result = _run(
        "join", DEMO, "-o", folder / "canvas.tif", "--json", "--proof", folder / "proof.html", "--outside", "paper",
        "--codec", "zstd", "--dpi", 100, "--assume-profile", "first", "--allow-missing", "--allow-unreadable",
        "--max-megapixels", 6, "--memory", "256MiB", "--workers", 2,
    )  # fmt: skip
    return folder, result, before


def test_json_prints_the_record_and_nothing_else(demo: tuple[Path, Result, list[str]]) -> None:
    folder, result, _ = demo
    assert result.exception is None and result.stderr == ""
    record = json.loads(result.stdout)
    kept = json.loads((folder / "canvas.json").read_text())
    assert record["canvas"] == kept["canvas"] and record["placements"] == kept["placements"]
    assert record["proof"]["page"] == "proof.html"


def test_options_reach_the_canvas(demo: tuple[Path, Result, list[str]]) -> None:
    folder, result, before = demo
    record = json.loads(result.stdout)
    with tifffile.TiffFile(folder / "canvas.tif") as file:
        page = file.pages[0]
        assert page.compression.name == "ZSTD" and page.samplesperpixel == 3  # paper, not transparency
        assert page.tags[282].value == (100, 1)
    assert record["canvas"]["codec"] == "zstd" and record["canvas"]["alpha"] is False
    true = ("filled with the paper's color", "the sheet leaves the glass")  # of a good set nothing else is said
    assert all(any(words in warning for words in true) for warning in record["warnings"]), record["warnings"]
    assert any(true[0] in warning for warning in record["warnings"])
    assert (folder / "proof.html").read_text(encoding="utf-8").lstrip().lower().startswith("<!doctype html>")
    assert hashes_of(PIECES) == before and {path.name for path in folder.iterdir()} >= {"canvas.tif", "canvas.json"}
    assert [path.name for path in folder.iterdir() if path.name.startswith(".")] == [MADE]


def test_the_demonstration_is_placed_as_it_was_scanned(demo: tuple[Path, Result, list[str]]) -> None:
    """Middles and turns of all seven pieces against truth, free of the gauge (a similarity of the whole)."""
    record = json.loads(demo[1].stdout)
    placed = {row["tile"]: np.array(row["canvas_from_tile"]) for row in record["placements"]}
    assert set(placed) == {piece["file"] for piece in TRUTH["pieces"]}
    sizes = {row["name"]: (row["width"], row["height"]) for row in record["inputs"]}
    found, true, turns = [], [], []
    for piece in TRUTH["pieces"]:
        matrix, (width, height) = placed[piece["file"]], sizes[piece["file"]]
        found.append((matrix @ [(width - 1) / 2, (height - 1) / 2, 1])[:2])
        true.append(np.array(piece["center_mm"]) * TRUTH["dpi"] / 25.4)
        turns.append(np.rad2deg(np.arctan2(matrix[1, 0], matrix[0, 0])) - piece["turn_deg"])
    design = np.vstack([[[x, -y, 1, 0], [y, x, 0, 1]] for x, y in true])
    gauge = np.linalg.lstsq(design, np.ravel(found), rcond=None)[0]
    off = np.ravel(found) - design @ gauge
    assert np.sqrt((off**2).mean()) < tol.DEMO_PX
    assert np.hypot(*gauge[:2]) == pytest.approx(1, abs=tol.DEMO_SCALE)
    wrapped = (np.array(turns) - turns[0] + 180) % 360 - 180
    assert np.abs(wrapped - np.median(wrapped)).max() < tol.DEMO_DEGREES


def test_text_names_the_canvas_its_size_and_its_record(pieces: list[Path], tmp_path: Path) -> None:
    result = _run(
        "join", *reversed(pieces), "-o", tmp_path / "c.tif", "--codec", "none", "--outside", "alpha", "--quiet"
    )
    assert result.exception is None and result.stderr == ""
    record = json.loads((tmp_path / "c.json").read_text())
    width, height = record["canvas"]["width"], record["canvas"]["height"]
    assert f"c.tif: {width} x {height} px" in result.stdout and "from 2 of 2 pieces" in result.stdout
    assert f"{width / DPI * 25.4:.0f} x {height / DPI * 25.4:.0f} mm at 100 dpi" in result.stdout
    assert str(tmp_path / "c.json") in result.stdout and "Neighbors agree to 0.0" in result.stdout


def test_progress_is_silent_when_nobody_watches(pieces: list[Path], tmp_path: Path) -> None:
    """Standard error is no terminal here, so nothing may be drawn even without --quiet."""
    result = _run("join", *pieces, "-o", tmp_path / "c.jpg", "--workers", 1)
    assert result.exception is None and result.stderr == "" and (tmp_path / "c.jpg").stat().st_size > 10_000


def test_a_canvas_past_the_megapixels_is_refused(pieces: list[Path], tmp_path: Path) -> None:
    result = _run("join", *pieces, "-o", tmp_path / "c.tif", "--max-megapixels", 0.01, "--workers", 1)
    assert "raise --max-megapixels" in str(result.exception)
    assert {path.name for path in tmp_path.iterdir()} == {"pieces"}


def test_a_proof_page_is_never_written_over_a_piece(pieces: list[Path], tmp_path: Path) -> None:
    before = hashes_of(pieces)
    result = _run("join", *pieces, "-o", tmp_path / "c.tif", "--proof", pieces[0], "--workers", 1)
    assert isinstance(result.exception, WouldTouchOriginal) and hashes_of(pieces) == before


@pytest.mark.parametrize(
    "words",
    [["--codec", "rar"], ["--outside", "white"], ["--dpi", "0"], ["--memory", "much"], ["--workers", "0"],
     ["--assume-profile", "last"], ["--max-megapixels", "x"], ["--no-such-option"]],
)  # fmt: skip
def test_wrong_usage_ends_with_exit_code_2(tmp_path: Path, words: list[str]) -> None:
    result = CliRunner().invoke(command_line, ["join", str(DEMO), "-o", str(tmp_path / "c.tif"), *words])
    assert result.exit_code == 2 and result.stdout == "" and "Error" in result.stderr
    assert list(tmp_path.iterdir()) == []


TESTED_ELSEWHERE = ("--output", "--replace", "--full-paths")  # everywhere; by tests/house/
# by tests/mosaic/hints and tests/pipelines/test_join_hints.py
HINTS = (*(f"--{key.replace('_', '-')}" for key in KINDS), "--from-record", "--layout-only")


def test_every_option_of_join_is_asked_for_in_these_tests() -> None:
    """A new option must be exercised here too."""
    words = Path(__file__).read_text(encoding="utf-8")
    options = [name for parameter in join_command.params for name in parameter.opts if name.startswith("--")]
    assert len(options) >= 12
    assert [name for name in options if f'"{name}"' not in words and name not in (*TESTED_ELSEWHERE, *HINTS)] == []


@pytest.mark.parametrize(
    ("text", "size"),
    [("1GiB", 2**30), ("512MiB", 2**29), ("1.5gb", 1_500_000_000), ("2048", 2048), (" 64 KiB ", 65536), ("0.5KB", 500)],
)
def test_sizes_are_read(text: str, size: int) -> None:
    assert Bytes().convert(text, None, None) == size


def test_help_lists_every_command_in_the_order_of_a_job() -> None:
    result = CliRunner().invoke(command_line, ["--help"])
    assert result.exit_code == 0
    rows = [line.split()[0] for line in result.stdout.splitlines() if line.startswith("  ") and line.split()]
    assert [row for row in rows if row in COMMANDS] == list(COMMANDS)
    version = CliRunner().invoke(command_line, ["--version"])
    assert version.exit_code == 0 and VERSION in version.stdout


def test_an_unknown_command_is_wrong_usage() -> None:
    result = CliRunner().invoke(command_line, ["glue"])
    assert result.exit_code == 2 and "No such command" in result.stderr


def test_settings_nobody_understands_are_refused(pieces: list[Path], tmp_path: Path) -> None:
    import stitchbed

    with pytest.raises(BadSettings, match=r"alpha.*paper"):
        stitchbed.join(pieces, tmp_path / "c.tif", stitchbed.JoinSettings(outside="white"))
    with pytest.raises(BadSettings, match=r"deflate.*zstd.*none"):
        stitchbed.join(pieces[:1], tmp_path / "c.tif", stitchbed.JoinSettings(codec="rar"))


def test_records_are_plain(demo: tuple[Path, Result, list[str]]) -> None:
    """No NaN, no object text in the record: any JSON reader takes it."""

    def strict(name: str) -> Any:
        raise AssertionError(f"{name} in the record")

    text = (demo[0] / "canvas.json").read_text()
    record = json.loads(text, parse_constant=strict)
    assert "object at 0x" not in text and record["version"] == VERSION
