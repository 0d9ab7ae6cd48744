"""I check that a folder is taken for what it holds, and that its single pages are done one by one.

Pages are small drawings of rings; pieces are cut from one painted sheet (`truth`).
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import cv2
import joined
import numpy as np
import pytest
import truth
from click.testing import CliRunner, Result

from stitchbed.cli import stitchbed as command_line
from stitchbed.core.errors import BadSettings, UnreadableTile
from stitchbed.jobs.folder import prepared, template
from stitchbed.jobs.job_file import job_of
from stitchbed.jobs.settings import Place, settings_of
from stitchbed.jobs.steps import STEPS, settings_class

DPI = 100.0


def page(path: Path, seed: int) -> Path:
    """A page of rings, no two pages alike."""
    rng = np.random.default_rng(seed)
    picture = np.full((260, 200), 245, np.uint8)
    for _ in range(9):
        center = (int(rng.integers(25, 175)), int(rng.integers(25, 235)))
        cv2.circle(picture, center, int(rng.integers(8, 24)), 20, 2, cv2.LINE_AA)
    noise = rng.integers(-2, 3, (260, 200, 1))
    return joined.write_piece(path, np.clip(picture[..., None] + noise, 0, 255).repeat(3, 2).astype(np.uint8), DPI)


def unseen(step: str, done: int, total: int) -> None:
    """A progress nobody sees."""


def taken_for(folder: Path, out: Path | None = None, kind: str | None = None) -> tuple[str, Path]:
    """The words on a folder, and its new job file."""
    made = prepared(folder, out=out, kind=kind, workers=1, progress=unseen)
    return made.words, made.path


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """Three pages, one of them damaged, and a note."""
    folder = tmp_path / "book"
    folder.mkdir()
    for seed in (1, 2):
        page(folder / f"scan {seed}.tif", seed)
    whole = page(folder / "scan 3.tif", 3).read_bytes()
    (folder / "scan 3.tif").write_bytes(whole[:150])
    (folder / "notes.txt").write_text("which side was up")
    return folder


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(command_line, ["run", "--quiet", *map(str, words)], standalone_mode=False)


def test_pages_one_damaged_from_one_command_and_again_without_doing_anything(book: Path) -> None:
    before = {path.name: path.read_bytes() for path in book.iterdir()}
    first = run(book, "--upto", "flats")
    assert "taken for single pages" in first.stdout and "scan 3.tif" in first.stdout
    assert "scan 3: FAILED" in first.stdout and "2 of 3 pages done" in first.stdout
    assert "1 of 3 works failed: scan 3" in str(first.exception)
    out = book / "out"
    assert {path.name for path in out.glob("[!.]*")} == {
        "records", *(f"scan {n}_{word}.tif" for n in (1, 2) for word in ("page", "lines", "flats")),
    }  # fmt: skip
    assert {path.name for path in (out / "records").glob("*.json") if "3" not in path.name} == {
        f"scan {n}_{word}.json" for n in (1, 2) for word in ("page", "lines", "flats")
    }
    job = json.loads((out / "records" / "scan 1_lines.json").read_text())["job"]
    assert job["name"] == "scan 1" and list(job["inputs"]) == ["out/scan 1_page.tif"]
    made = {path: path.stat().st_mtime_ns for path in out.glob("[!.]*.tif")}
    again = run(book, "--upto", "flats")
    assert "taken for" not in again.stdout and again.stdout.count("3 steps unchanged") == 2
    assert {path: path.stat().st_mtime_ns for path in out.glob("[!.]*.tif")} == made
    assert {path.name: path.read_bytes() for path in book.iterdir() if path.name in before} == before


def test_pieces_are_told_from_pages(tmp_path: Path) -> None:
    sheet = tmp_path / "sheet"
    truth.write_set(sheet, truth.make_set(1, 2, seed=3, shape=(200, 260))[1], dpi=150)
    words, path = taken_for(sheet)
    assert "2 of 2 pictures share places" in words and "pieces of one sheet" in words
    assert next(iter(job_of(path, list(STEPS)).tables)) == "join" and not job_of(path, list(STEPS)).pages
    for seed in range(3):
        page(sheet / f"other {seed}.tif", seed)
    path.unlink()
    (sheet / "torn.tif").write_bytes((sheet / "other 0.tif").read_bytes()[:90])
    with pytest.raises(BadSettings, match="2 of 5 pictures share places with another, other 0") as caught:
        taken_for(sheet)
    assert "torn.tif" in caught.value.found and "--as pages" in caught.value.attempt and not path.exists()
    (sheet / "torn.tif").unlink()
    assert "as told" in taken_for(sheet, kind="pages")[0] and job_of(path, list(STEPS)).pages


def test_one_page_twice_makes_no_sheet(tmp_path: Path) -> None:
    for name, seed in (("a", 1), ("b", 2), ("c", 1)):
        page(tmp_path / f"{name}.tif", seed)
    again = cv2.imread(str(tmp_path / "c.tif"), cv2.IMREAD_UNCHANGED)
    joined.write_piece(tmp_path / "c.tif", np.ascontiguousarray(255 - (255 - again) // 2), DPI)
    words, _ = taken_for(tmp_path)
    assert "a.tif and c.tif show one page twice" in words and "single pages" in words


def test_with_a_folder_for_results_nothing_is_written_beside_originals(tmp_path: Path) -> None:
    folder = tmp_path / "scans"
    folder.mkdir()
    page(folder / "one.tif", 1)
    out = tmp_path / "done"
    told = run(folder, "-o", out, "--upto", "clean")
    assert told.exception is None and "one picture: taken for single pages. The job:" in told.stdout
    assert [path.name for path in folder.iterdir()] == ["one.tif"] and (out / "one_page.tif").is_file()
    assert "clean: unchanged" in run(folder, "-o", out, "--upto", "clean").stdout


def test_a_new_job_file_is_only_written_and_never_over_another(tmp_path: Path) -> None:
    page(tmp_path / "one.tif", 1)
    assert run("--new", tmp_path).exception is None and not (tmp_path / "out").exists()
    text = (tmp_path / "job.toml").read_text(encoding="utf-8")
    told = run("--new", tmp_path)
    assert isinstance(told.exception, BadSettings) and "there already" in str(told.exception)
    assert (tmp_path / "job.toml").read_text(encoding="utf-8") == text
    (tmp_path / "none").mkdir()
    (tmp_path / "none" / "a.tif").write_text("no picture")
    assert isinstance(run(tmp_path / "none").exception, UnreadableTile)
    assert not (tmp_path / "none" / "job.toml").exists()


def test_pictures_with_each_are_pages(book: Path) -> None:
    told = run("--each", *sorted(book.iterdir()), "--upto", "clean", "--at-once", "1", "-o", book.parent / "done")
    assert "2 of 3 works done" in told.stdout and "1 of 3 works failed: scan 3" in str(told.exception)
    assert (book.parent / "done" / "scan 1_page.tif").is_file() and not (book / "job.toml").exists()


@pytest.mark.parametrize("kind", ["pieces", "pages"])
def test_the_templates_say_what_is_understood_also_where_it_is_commented_out(kind: str, tmp_path: Path) -> None:
    page(tmp_path / "one.tif", 1)
    text = taken_for(tmp_path, kind=kind)[1].read_text(encoding="utf-8")
    awake = re.sub(r"^# (?=\[|[a-z_.]+ = )", "", text, flags=re.MULTILINE)
    for words in (text, awake):
        (tmp_path / "job.toml").write_text(words, encoding="utf-8")
        job = job_of(tmp_path, list(STEPS))
        for name, table in job.tables.items():
            settings_of(settings_class(STEPS[name]), table, Place(name, job.folder), given={})
    assert list(job.tables) == list(STEPS)[0 if kind == "pieces" else 2 :]
    assert "{" not in text.replace("{name}", "") and template("steps") in text


def test_one_step_for_a_folder_of_pages_and_for_what_came_of_it(book: Path, tmp_path: Path) -> None:
    out = tmp_path / "done"

    def do(*words: str | Path) -> Result:
        return CliRunner().invoke(command_line, [*map(str, words), "-o", str(out), "--quiet"], standalone_mode=False)

    told = do("clean", book, "--dust", "eager")
    assert "2 of 3 pages done" in told.stdout and "scan 3" in str(told.exception)
    assert do("lines", out).exception is None and do("flats", out, "--gap", "0.8").exception is None
    made = {f"scan {n}_{word}.tif" for n in (1, 2) for word in ("page", "lines", "flats")}
    assert {path.name for path in out.glob("[!.]*.tif")} == made
    told = json.loads((out / "records" / "scan 1_page.json").read_text())
    assert told["job"]["settings"] == {"dust": {"strength": "eager"}}
    assert do("flats", out, "--gap", "0.8").stdout.count("1 step unchanged") == 2
    wrong = CliRunner().invoke(command_line, ["lines", str(out), "-o", str(out / "a.tif")], standalone_mode=False)
    assert "a folder, for each picture" in str(wrong.exception)


def test_a_painted_page_gets_no_flats_unless_asked(tmp_path: Path) -> None:
    folder = tmp_path / "shore"
    folder.mkdir()
    wash = np.full((500, 500, 3), 250, np.uint8)
    cv2.circle(wash, (250, 250), 170, (160, 190, 220), -1, cv2.LINE_AA)
    cv2.circle(wash, (250, 250), 171, (30, 30, 40), 2, cv2.LINE_AA)
    joined.write_piece(folder / "scan.tif", wash, 200.0)
    text = 'pages = ["."]\nout = "out"\n[clean]\n[lines]\n[flats]\ncolors = "mean"\n[export.layers]\n'
    (folder / "job.toml").write_text(text)
    told = json.loads(run(str(folder), "--json").stdout)
    rows = {row["step"]: row for row in told["steps"]}
    assert rows["flats"]["state"] == "left out" and "painted = true" in rows["flats"]["warnings"][0]
    assert not (folder / "out" / "scan_flats.tif").exists()
    layers = json.loads((folder / "out" / "records" / "scan_layers.json").read_text())
    assert "Painting" in layers["numbers"]["layers"]["layers"]
    assert "flats: left out" in run(str(folder)).output
    (folder / "job.toml").write_text(text.replace('"mean"', '"mean"\npainted = true'))
    assert "flats: done" in run(str(folder)).output
    assert (folder / "out" / "scan_flats.tif").exists()
