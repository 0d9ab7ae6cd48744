"""I throw bad input at the whole job: each is an error in words, and nothing is lost or left behind."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import numpy as np
import pytest
import tifffile
import truth
from click.testing import CliRunner, Result
from joined import DPI, QUICK, SMALL, pair, write_piece

import stitchbed
from stitchbed.cli import stitchbed as command_line
from stitchbed.core.errors import StitchbedError
from stitchbed.output import png_jpeg as flat
from stitchbed.output import room as foresight


def _tree(folder: Path) -> dict[str, str]:
    """Every file under a folder with its hash, and every folder."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder"
        for path in sorted(folder.rglob("*"))
    }


def _run(*words: object) -> Result:
    """`stitchbed join ...` as the console entry runs it: an error of ours is exit code 1 and its text."""
    return CliRunner().invoke(command_line, ["join", *map(str, words)], standalone_mode=False)


def _refused(tmp_path: Path, *words: object, says: str) -> str:
    """Run, expect a refusal in words, and nothing changed on disk."""
    before = _tree(tmp_path)
    result = _run(*words)
    assert isinstance(result.exception, StitchbedError), result.exception
    text = str(result.exception)
    assert text.startswith("Found: ") and "\nExpected: " in text and "\nTry: " in text
    assert says in text
    assert _tree(tmp_path) == before
    assert "Traceback" not in result.output
    return text


def test_the_console_entry_ends_with_exit_code_1_and_no_traceback(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    from stitchbed import cli

    (tmp_path / "empty").mkdir()
    monkeypatch.setattr("sys.argv", ["stitchbed", "join", str(tmp_path / "empty"), "-o", str(tmp_path / "c.tif")])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    out, err = capfd.readouterr()
    assert ended.value.code == 1 and out == ""
    assert err.startswith("Found: ") and "Traceback" not in err


def test_an_empty_folder(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    _refused(tmp_path, tmp_path / "empty", "-o", tmp_path / "c.tif", says="a folder without a picture in it")


def test_a_missing_file(tmp_path: Path) -> None:
    _refused(tmp_path, tmp_path / "nowhere.tif", "-o", tmp_path / "c.tif", says="nowhere.tif")


def _broken(folder: Path, kind: str) -> Path:
    path = folder / "broken.tif"
    if kind == "truncated":
        whole = write_piece(
            folder / "whole.tif", np.random.default_rng(1).integers(0, 255, (*SMALL, 3), dtype=np.uint8), DPI
        )
        path.write_bytes(whole.read_bytes()[:60_000])
        whole.unlink()
    elif kind == "nothing":
        path.write_bytes(b"")
    else:
        path.write_text("a shopping list: ink, paper, patience\n")
    return path


@pytest.mark.parametrize("kind", ["truncated", "nothing", "text"])
def test_an_unreadable_file_among_good_ones(pieces: list[Path], tmp_path: Path, kind: str) -> None:
    broken = _broken(pieces[0].parent, kind)
    before = _tree(tmp_path)
    text = _refused(tmp_path, pieces[0].parent, "-o", tmp_path / "c.tif", says="broken.tif")
    assert "Traceback" not in text and _tree(tmp_path) == before
    # and on request the rest is joined, with a warning that names it
    result = _run(pieces[0].parent, "-o", tmp_path / "c.tif", "--allow-unreadable", "--workers", 1)
    assert result.exception is None and "broken.tif" in result.output and "left out" in result.output
    assert (tmp_path / "c.tif").exists() and broken.exists()


def test_mixed_profiles(tmp_path: Path) -> None:
    _, tiles = truth.make_set(1, 2, seed=1, shape=SMALL)
    for tile, icc in zip(tiles, (truth.SRGB, None), strict=True):
        write_piece(tmp_path / "p" / f"{tile.name}.tif", tile.pixels, DPI, icc)
    text = _refused(tmp_path, tmp_path / "p", "-o", tmp_path / "c.tif", says="do not share one color profile")
    assert "piece_0" in text and "--assume-profile" in text


@pytest.mark.parametrize("assume", ["first", "none"])
def test_mixed_profiles_can_be_settled(tmp_path: Path, assume: str) -> None:
    _, tiles = truth.make_set(1, 2, seed=1, shape=SMALL)
    for tile, icc in zip(tiles, (None, truth.SRGB), strict=True):
        write_piece(tmp_path / "p" / f"{tile.name}.tif", tile.pixels, DPI, icc)
    result = _run(tmp_path / "p", "-o", tmp_path / "c.tif", "--assume-profile", assume, "--workers", 1)
    assert result.exception is None
    with tifffile.TiffFile(tmp_path / "c.tif") as file:
        assert file.pages[0].iccprofile == (truth.SRGB if assume == "first" else None)


def test_no_overlap(tmp_path: Path) -> None:
    sheet = truth.paint_sheet(300, 900, 3)
    poses = [truth.pose(180, 149.5, 0, shape=SMALL), truth.pose(710, 149.5, 0, shape=SMALL)]
    truth.write_set(tmp_path / "p", truth.cut_tiles(sheet, poses, shape=SMALL), DPI)
    _refused(tmp_path, tmp_path / "p", "-o", tmp_path / "c.tif", says="none of the 2 pieces overlaps another")


@pytest.mark.parametrize("way", ["same", "symbolic link", "hard link", "record"])
def test_an_output_that_is_an_input(pieces: list[Path], tmp_path: Path, way: str) -> None:
    output = {"same": pieces[1], "symbolic link": tmp_path / "soft.tif", "hard link": tmp_path / "hard.tif",
              "record": tmp_path / "canvas.tif"}[way]  # fmt: skip
    named = list(pieces)
    if way == "symbolic link":
        output.symlink_to(pieces[1])
    elif way == "hard link":
        output.hardlink_to(pieces[1])
    elif way == "record":  # the record canvas.json would fall on a piece that is called so
        named[1] = pieces[1].rename(tmp_path / "canvas.json")
    _refused(tmp_path, *named, "-o", output, says="one of the input files")


@pytest.mark.parametrize("place", ["under a file", "missing", "proc"])
def test_a_folder_that_cannot_be_written_to(pieces: list[Path], tmp_path: Path, place: str) -> None:
    (tmp_path / "file").write_text("no folder")
    folder = {"under a file": tmp_path / "file", "missing": tmp_path / "nowhere", "proc": Path("/proc")}[place]
    if place == "proc" and not folder.is_dir():
        pytest.skip("no such file system here")
    _refused(tmp_path, *pieces, "-o", folder / "c.tif", says=str(folder))


def test_an_output_that_is_a_folder(pieces: list[Path], tmp_path: Path) -> None:
    (tmp_path / "c.tif").mkdir()
    (tmp_path / "c.tif" / "keep").write_text("mine")
    _refused(tmp_path, *pieces, "-o", tmp_path / "c.tif", "--workers", 1, says="c.tif is a folder")


@pytest.mark.parametrize("name", ["c.bmp", "c", "c.tif.gz", "c.webp"])
def test_an_unknown_suffix(pieces: list[Path], tmp_path: Path, name: str) -> None:
    _refused(tmp_path, *pieces, "-o", tmp_path / name, says="a name that ends in .tif, .png or .jpg")


def test_a_jpeg_past_its_limit(pieces: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    small = dict.fromkeys(flat.LIMITS, 500)
    monkeypatch.setattr(foresight, "LIMITS", small)
    text = _refused(tmp_path, *pieces, "-o", tmp_path / "c.jpg", "--workers", 1, says="at most 500 px per side")
    assert "ends in .tif" in text


def test_a_png_past_the_memory(pieces: list[Path], tmp_path: Path) -> None:
    _refused(tmp_path, *pieces, "-o", tmp_path / "c.png", "--memory", "1MiB", "--workers", 1, says="more --memory")


def test_a_full_disk(pieces: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Full:
        free = 1000

    monkeypatch.setattr(foresight.shutil, "disk_usage", lambda path: Full)
    result = _run(*pieces, "-o", tmp_path / "c.tif", "--workers", 1)
    assert isinstance(result.exception, StitchbedError) and "GiB free" in str(result.exception)
    # the survey is kept for when there is room, hidden; nothing is there under the output's name
    assert {path.name for path in tmp_path.iterdir()} == {"pieces", ".c.tif.job"}


def test_a_piece_that_changes_while_the_job_runs(pieces: list[Path], tmp_path: Path) -> None:
    def meddle(step: str, done: int, total: int) -> None:
        if step == "rendering" and done == total:
            os.utime(pieces[0])
            pieces[0].chmod(0o644)
            with pieces[0].open("ab") as file:
                file.write(b"\0")

    with pytest.raises(StitchbedError, match=r"piece_01\.tif changed or vanished"):
        stitchbed.join(pieces, tmp_path / "c.tif", stitchbed.JoinSettings(workers=1), progress=meddle)
    assert not (tmp_path / "c.tif").exists()


def test_a_job_of_nothing_is_wrong_usage(tmp_path: Path) -> None:
    result = CliRunner().invoke(command_line, ["join", "-o", str(tmp_path / "c.tif")])
    assert result.exit_code == 2 and "Missing argument" in result.output


@pytest.mark.parametrize("shape", [(1, 3000, 3), (3000, 1, 3), (3, 900), (1, 1, 3)])
def test_pieces_of_a_row_or_a_column_are_refused_in_words(tmp_path: Path, shape: tuple[int, ...]) -> None:
    """There is nothing two of them could be compared by; one alone is a canvas."""
    rng = np.random.default_rng(3)
    paths = [
        write_piece(tmp_path / f"{name}.tif", rng.integers(0, 255, shape).astype(np.uint8), 600.0, None)
        for name in "ab"
    ]
    _refused(tmp_path, *paths, "-o", tmp_path / "c.tif", "--workers", 1, says="overlaps")


def test_a_dead_column_in_a_single_piece_is_told(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    pixels = np.clip(np.rint(rng.normal(225, 1.5, (640, 420, 3))), 0, 255).astype(np.uint8)
    for row in range(20, 620, 40):
        pixels[row : row + 3, 30:390] = 60
    for name, column in (("sound", None), ("dead", 261)):
        if column is not None:
            pixels[:, column] = 30
        write_piece(tmp_path / f"{name}.tif", pixels, DPI)
        record = stitchbed.join([tmp_path / f"{name}.tif"], tmp_path / f"{name}_canvas.tif", stitchbed.JoinSettings())
        lines = [warning for warning in record["warnings"] if "through the whole scan" in warning]
        assert [line.split(":")[0] for line in lines] == ([] if column is None else ["dead.tif"])
        assert all("column 261" in line for line in lines)


def test_where_only_a_broken_off_scan_would_have_seen_the_sheet_the_canvas_is_left_open(tmp_path: Path) -> None:
    _, tiles = pair(5)
    broken = tiles[0].pixels.copy()
    broken[-90:] = 0
    paths = [
        write_piece(tmp_path / f"{tile.name}.tif", pixels, DPI, truth.SRGB)
        for tile, pixels in zip(tiles, (broken, tiles[1].pixels), strict=True)
    ]
    record = stitchbed.join(paths, tmp_path / "canvas.tif", QUICK)
    canvas = tifffile.imread(tmp_path / "canvas.tif")
    assert record["canvas"]["alpha"] and canvas.shape[2] == 4
    black = (canvas[..., :3].max(axis=2) == 0) & (canvas[..., 3] > 0)
    assert black.sum() < 0.001 * black.size
    open_below = canvas[-60:-20, 20 : SMALL[1] // 2, 3] == 0
    assert open_below.mean() > 0.9
    assert any("the scan broke off" in warning for warning in record["warnings"])
    assert any("was seen by no piece and is left transparent" in warning for warning in record["warnings"])
