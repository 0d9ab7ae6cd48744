"""I check when a step of a job is done, when it is left alone, and that nothing made by hand is ever lost.

The rules are checked with three steps that only count and copy; the whole with the real ones, on two tiny pieces.
"""

from __future__ import annotations

import json
import re
import resource
import subprocess
import sys
import types
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
import truth
from PIL import Image

from stitchbed.core.errors import BadSettings, StitchbedError, WouldTouchOriginal
from stitchbed.core.files import claim, claimed, sha256_of
from stitchbed.jobs import run as story
from stitchbed.jobs.call import PAGE, PIECES, Call
from stitchbed.jobs.job_file import files_of, job_of
from stitchbed.jobs.run import BY_HAND, DONE, UNCHANGED, RunSettings
from stitchbed.jobs.settings import Place, settings_of
from stitchbed.jobs.steps import STEPS, Step, do, settings_class

HEAVY = {"cv2", "scipy", "skimage", "networkx", "imagecodecs", "tifffile", "PIL"}


@dataclass(frozen=True)
class Words:
    """Settings of a step that copies. word : added to what is copied. fail : do not end well. other : a file to add."""

    word: str = ""
    fail: bool = False
    other: Path | None = None


@dataclass
class SurveyContext:
    """A job folder with one piece, and what was done in it."""

    folder: Path
    done: list[str]

    def run(self, text: str | None = None, **settings: Any) -> list[str]:
        """Do the job; the states of its steps."""
        if text is not None:
            (self.folder / "job.toml").write_text(text)
        self.done.clear()
        job = job_of(self.folder / "job.toml", list(story.STEPS))
        record, _ = story.run(job, RunSettings(**settings), progress=lambda *_: None)
        return [row["state"] for row in record["steps"]]

    def out(self, name: str) -> Path:
        """A result."""
        return self.folder / "out" / name


@pytest.fixture
def context(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SurveyContext]:
    """Steps first, second and last: each copies what it works on and adds its word; and one that names its files."""
    done: list[str] = []

    def copy(name: str) -> Callable[..., dict[str, Any]]:
        def pipeline(inputs: Sequence[Path], output: Path, settings: Words, *, progress: Any) -> dict[str, Any]:
            done.append(name)
            text = "+".join(path.read_text() for path in files_of(inputs))
            other = settings.other.read_text() if settings.other else ""
            output.write_text(f"{text}>{name}{settings.word}{other}")
            if settings.fail:
                raise StitchbedError("bad luck", expected="luck", attempt="again")
            return {"warnings": [f"{name} was done"]}

        return pipeline

    def named(call: Call, page: Path) -> dict[str, Any]:
        path = call.output.with_name(f"{call.output.name}_{call.settings.word}.txt")
        claim([path], [], replace=call.replace)
        done.append("copies")
        with claimed(path) as partial:
            partial.write_text(page.read_text())
        return {"outputs": {path.name: "any"}, "numbers": {"copies": 1}}

    steps = {
        "first": Step("first", "copying", "Words", "first", (PIECES,), many=True),
        "second": Step("second", "copying", "Words", "second", many=True),
        "last": Step("last", "copying", "Words", "last", many=True, ending=".txt"),
        "copies": Step("copies", "copying", "Words", "copies", gives="", ending=""),
        "after": Step("after", "copying", "Words", "after", many=True),
    }
    home = types.ModuleType("copying")
    vars(home).update({name: copy(name) for name in steps}, Words=Words, copies=named)
    monkeypatch.setitem(sys.modules, "copying", home)
    monkeypatch.setattr(story, "STEPS", steps)
    folder = tmp_path / "harbor"
    folder.mkdir()
    (folder / "piece.tif").write_text("piece")
    yield SurveyContext(folder, done)


ALL = "[first]\n[second]\n[last]\n"


def test_steps_work_on_what_the_one_before_made(context: SurveyContext) -> None:
    assert context.run(ALL) == [DONE] * 3
    assert context.out("harbor_last.txt").read_text() == "piece>first>second>last"
    assert sorted(path.name for path in context.out("records").glob("[!.]*")) == [
        "harbor_first.json", "harbor_last.json", "harbor_second.json",
    ]  # fmt: skip


def test_only_steps_in_the_file_are_done(context: SurveyContext) -> None:
    assert context.run("[last]\n") == [DONE]
    assert context.out("harbor_last.txt").read_text() == "piece>last"


def test_the_second_time_nothing_is_done_and_nothing_written(context: SurveyContext) -> None:
    context.run(ALL)
    before = {path: path.stat().st_mtime_ns for path in context.folder.rglob("*")}
    assert context.run() == [UNCHANGED] * 3
    assert context.done == []
    assert {path: path.stat().st_mtime_ns for path in context.folder.rglob("*")} == before


def test_what_follows_a_changed_setting_is_done_again(context: SurveyContext) -> None:
    context.run(ALL)
    assert context.run('[first]\n[second]\nword = "!"\n[last]\n') == [UNCHANGED, DONE, DONE]
    assert context.out("harbor_last.txt").read_text() == "piece>first>second!>last"


def test_a_step_that_makes_the_same_again_ends_the_chain(context: SurveyContext) -> None:
    context.run(ALL)
    assert context.run('[first]\n[second]\nword = ""\n[last]\n') == [UNCHANGED, DONE, UNCHANGED]


def test_changed_added_and_renamed_pieces_count(context: SurveyContext) -> None:
    context.run(ALL)
    piece = context.folder / "piece.tif"
    piece.write_text("PIECE")
    assert context.run() == [DONE] * 3
    (context.folder / "new.tif").write_text("new")
    assert context.run() == [DONE] * 3
    piece.rename(context.folder / "other.tif")
    assert context.run()[0] == DONE
    (context.folder / "notes.txt").write_text("notes and records are no pieces")
    assert context.run() == [UNCHANGED] * 3


def test_a_piece_that_is_only_touched_is_unchanged(context: SurveyContext) -> None:
    context.run(ALL)
    (context.folder / "piece.tif").touch()
    assert context.run() == [UNCHANGED] * 3


def test_a_file_that_settings_name_is_an_input(context: SurveyContext) -> None:
    (context.folder / "other.md").write_text("1")
    text = '[first]\n[second]\nother = "other.md"\n'
    assert context.run(text) == [DONE, DONE]
    (context.folder / "other.md").write_text("2")
    assert context.run() == [UNCHANGED, DONE]
    assert context.out("harbor_second.tif").read_text().endswith(">second2")


def test_another_version_does_all_again(context: SurveyContext, monkeypatch: pytest.MonkeyPatch) -> None:
    context.run(ALL)
    monkeypatch.setattr(story, "VERSION", "0.0.0")
    assert context.run()[0] == DONE


def test_a_lost_result_is_made_again_and_the_rest_left(context: SurveyContext) -> None:
    context.run(ALL)
    context.out("harbor_second.tif").unlink()
    assert context.run() == [UNCHANGED, DONE, UNCHANGED]


def test_the_whole_folder_may_move(context: SurveyContext) -> None:
    context.run(ALL)
    moved = context.folder.parent / "elsewhere"
    moved.mkdir()
    context.folder.rename(moved / "harbor")
    context.folder = moved / "harbor"
    assert context.run() == [UNCHANGED] * 3


def test_upto_and_again(context: SurveyContext) -> None:
    assert context.run(ALL, upto="second") == [DONE, DONE]
    assert not context.out("harbor_last.txt").exists()
    assert context.run() == [UNCHANGED, UNCHANGED, DONE]
    assert context.run(again="second") == [UNCHANGED, DONE, DONE]
    assert context.run(again="second", upto="second") == [UNCHANGED, DONE]
    for wrong in ({"upto": "secnd"}, {"again": "secnd"}):
        with pytest.raises(BadSettings, match="'secnd' at --") as caught:
            context.run(**wrong)
        assert "'second'" in caught.value.attempt


def test_work_by_hand_is_kept_and_worked_on(context: SurveyContext) -> None:
    context.run(ALL)
    context.out("harbor_second.tif").write_text("retouched")
    assert context.run() == [UNCHANGED, BY_HAND, DONE]
    assert context.out("harbor_last.txt").read_text() == "retouched>last"
    assert context.run() == [UNCHANGED, BY_HAND, UNCHANGED]


def test_work_by_hand_is_never_written_over_unless_told(context: SurveyContext) -> None:
    context.run(ALL)
    context.out("harbor_second.tif").write_text("retouched")
    changed = '[first]\nword = "!"\n[second]\n[last]\n'
    for _ in range(2):
        with pytest.raises(WouldTouchOriginal, match="changed by hand") as caught:
            context.run(changed)
        assert "--again second" in caught.value.attempt
        assert context.out("harbor_second.tif").read_text() == "retouched"
    assert context.run(again="second") == [UNCHANGED, DONE, DONE]
    assert context.out("harbor_second.tif").read_text() == "piece>first!>second"


def test_a_file_of_that_name_that_is_not_ours_is_not_written_over(context: SurveyContext) -> None:
    context.out("").mkdir()
    context.out("harbor_first.tif").write_text("mine")
    with pytest.raises(WouldTouchOriginal, match="not made by this job"):
        context.run(ALL)
    assert context.done == [] and context.out("harbor_first.tif").read_text() == "mine"
    assert context.run(again="first") == [DONE] * 3


def test_a_step_that_fails_is_done_again_and_those_before_it_are_not(context: SurveyContext) -> None:
    with pytest.raises(StitchbedError, match="bad luck"):
        context.run("[first]\n[second]\nfail = true\n[last]\n")
    # what it left behind is our own and vouched for by nothing: it is written over without a word
    assert context.out("harbor_second.tif").exists()
    assert context.run(ALL) == [UNCHANGED, DONE, DONE]
    assert context.out("harbor_last.txt").read_text() == "piece>first>second>last"


def test_a_result_half_redone_is_not_taken_for_the_earlier_one(context: SurveyContext) -> None:
    context.run(ALL)
    with pytest.raises(StitchbedError, match="bad luck"):
        context.run('[first]\n[second]\nfail = true\nword = "?"\n[last]\n')
    assert context.run(ALL) == [UNCHANGED, DONE, UNCHANGED]
    assert context.out("harbor_second.tif").read_text() == "piece>first>second"


COPIES = '[first]\n[copies]\nword = "{}"\n[after]\n'


def test_a_step_that_names_its_files_gives_nothing_to_the_next(context: SurveyContext) -> None:
    assert context.run(COPIES.format("small")) == [DONE] * 3
    assert context.out("harbor_small.txt").read_text() == "piece>first"
    assert context.out("harbor_after.tif").read_text() == "piece>first>after"
    assert context.run() == [UNCHANGED] * 3
    assert context.run(COPIES.format("large")) == [UNCHANGED, DONE, UNCHANGED]
    assert context.out("harbor_large.txt").exists() and context.out("harbor_small.txt").exists()
    record = json.loads((context.out("records") / "harbor_copies.json").read_text())
    assert list(record["job"]["outputs"]) == ["harbor_large.txt"] and record["numbers"] == {"copies": 1}


def test_copies_are_made_again_when_lost_kept_when_changed_and_never_put_over_others(context: SurveyContext) -> None:
    context.out("").mkdir()
    context.out("harbor_small.txt").write_text("mine")
    for _ in range(2):
        with pytest.raises(WouldTouchOriginal, match="--replace"):
            context.run(COPIES.format("small"))
        assert context.out("harbor_small.txt").read_text() == "mine"
    context.out("harbor_small.txt").unlink()
    assert context.run() == [UNCHANGED, DONE, DONE]
    context.out("harbor_small.txt").unlink()
    assert context.run() == [UNCHANGED, DONE, UNCHANGED]
    context.out("harbor_small.txt").write_text("retouched")
    assert context.run() == [UNCHANGED, BY_HAND, UNCHANGED]
    (context.folder / "piece.tif").write_text("PIECE")
    with pytest.raises(WouldTouchOriginal, match=r"harbor_small\.txt was changed by hand"):
        context.run()
    assert context.run(again="copies") == [UNCHANGED, DONE, DONE]
    assert context.out("harbor_small.txt").read_text() == "PIECE>first"


def test_a_mistake_in_a_late_table_is_told_before_the_first_step(context: SurveyContext) -> None:
    with pytest.raises(BadSettings, match=r"'wort' in \[last\]"):
        context.run("[first]\n[second]\n[last]\nwort = 3\n")
    assert context.done == [] and not context.out("").exists()


def test_jobs_of_two_names_may_share_a_folder(context: SurveyContext) -> None:
    context.run(ALL)
    assert context.run('name = "evening"\n' + ALL) == [DONE] * 3
    assert context.run(ALL) == [UNCHANGED] * 3


@pytest.mark.parametrize("damage", ["", "{", "[]", '{"job": "harbor"}', '{"job": {}}', "\udcff"])
def test_a_damaged_record_vouches_for_nothing(damage: str, context: SurveyContext) -> None:
    context.run(ALL)
    (context.out("records") / "harbor_second.json").write_text(damage, errors="surrogateescape")
    with pytest.raises(WouldTouchOriginal, match="not made by this job"):
        context.run()


def test_records_say_what_was_done(context: SurveyContext) -> None:
    context.run('[first]\nword = "!"\n')
    told = json.loads((context.out("records") / "harbor_first.json").read_text())
    record = told["job"]
    assert record["inputs"] == {"piece.tif": sha256_of(context.folder / "piece.tif")}
    assert record["outputs"] == {"harbor_first.tif": sha256_of(context.out("harbor_first.tif"))}
    assert record["settings"] == {"word": "!"} and told["warnings"] == ["first was done"]
    assert record["step"] == "first" and record["started"] and record["seconds"] >= 0


def test_several_pictures_for_a_step_of_one_are_told() -> None:
    for name in ("color", "clean"):
        with pytest.raises(BadSettings, match=rf"2 pictures for \[{name}\]"):
            call = Call({PAGE: (Path(__file__), Path(truth.__file__))}, Path("o.tif"), None, lambda *_: None)
            do(name, STEPS[name], call)


def test_a_run_tells_that_it_gets_ready_while_libraries_load(context: SurveyContext) -> None:
    context.run(ALL)
    job, told = job_of(context.folder / "job.toml", list(story.STEPS)), []
    for again in (None, "first"):
        story.run(job, RunSettings(again=again), progress=lambda *words: told.append(words))
    assert told == [("getting ready", n, 3) for n in range(4)]  # and nothing where nothing is to be done


def test_corners_in_a_job_file_are_checked_as_in_the_shell(tmp_path: Path) -> None:
    (tmp_path / "photo.tif").write_bytes(b"")
    (tmp_path / "job.toml").write_text(
        "[rectify]\ndpi = 100\nasked.size_mm = [10, 10]\nasked.corners = [[0, 0], [9, 9], [9, 0], [0, 9]]\n"
    )
    with pytest.raises(BadSettings, match="corners"):
        story.run(job_of(tmp_path, list(STEPS)), RunSettings(), progress=lambda *_: None)


JOB = """
pieces = ["scans"]
[export.web]
px = 200
[export.print]
of = "page"
[export.layers]
[export.nopaper]
[flats]
painted = true
colors = "mean"
[lines]
ink = "black"
[clean]
steps = ["paper", "tone"]
[join]
outside = "paper"
"""
EXAMPLE = Path(__file__).parents[2] / "demo_tiles" / "job.toml"


def test_a_real_job_from_the_shell_twice(tmp_path: Path) -> None:
    _, tiles = truth.make_set(1, 2, seed=3, shape=(200, 260))
    paths = truth.write_set(tmp_path / "map" / "scans", tiles, dpi=150)
    (tmp_path / "map" / "job.toml").write_text(JOB)
    before = [sha256_of(path) for path in paths]
    command = [sys.executable, "-m", "stitchbed", "run", str(tmp_path / "map" / "job.toml"), "--json", "--full-paths"]
    first = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)
    out = tmp_path / "map" / "out"
    copies = ["export.layers", "export.print", "export.web", "export.nopaper"]
    assert [row["step"] for row in first["steps"]] == ["join", "clean", "lines", "flats", *copies]
    assert {row["state"] for row in first["steps"]} == {DONE}
    pictures = {row["step"]: tifffile.imread(out / row["outputs"][0]) for row in first["steps"][:4]}
    assert {name: picture.shape[2] for name, picture in pictures.items()} == {
        "join": 3,
        "clean": 3,
        "lines": 4,
        "flats": 3,
    }
    assert {picture.shape[:2] for name, picture in pictures.items() if name != "join"} == {pictures["clean"].shape[:2]}
    # the lines are the page's, and under them lie the page's own mean colors
    assert not pictures["lines"][..., :3].any() and 0.01 < (pictures["lines"][..., 3] > 128).mean() < 0.9
    flats = json.loads((tmp_path / "map" / "out" / "records" / "map_flats.json").read_text())
    assert set(flats["inputs"]) == {"map_lines.tif", "map_page.tif"}
    made = {row["step"]: out / row["outputs"][0] for row in first["steps"][4:]}
    assert [path.suffix for path in made.values()] == [".ora", ".tif", ".png", ".png"]
    with Image.open(made["export.web"]) as web, Image.open(made["export.nopaper"]) as bare:
        assert max(web.size) == 200 and bare.mode == "RGBA"
    # a print of the page in its own size is the page, with as many bits as a print has
    assert np.array_equal(tifffile.imread(made["export.print"]), pictures["clean"].astype(np.uint16) * 257)
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    again = subprocess.run(command, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert [row["state"] for row in json.loads(again.stdout)["steps"]] == [UNCHANGED] * 8
    # processor time, as a busy machine stretches the clock's: wanted are 2 s in all, and .3 s is common
    assert after.ru_utime + after.ru_stime - spent.ru_utime - spent.ru_stime < 2
    assert [sha256_of(path) for path in paths] == before


def test_a_job_with_nothing_to_do_loads_no_numeric_library(tmp_path: Path) -> None:
    (tmp_path / "piece.tif").write_text("not looked into")
    (tmp_path / "out" / "records").mkdir(parents=True)
    (tmp_path / "out" / "map_page.tif").write_text("clean")
    (tmp_path / "job.toml").write_text('name = "map"\n[clean]\n')
    record = {
        "name": "map", "version": story.VERSION, "settings": {}, "outputs": {"map_page.tif": "edited since"},
        "inputs": {"piece.tif": sha256_of(tmp_path / "piece.tif")},
    }  # fmt: skip
    (tmp_path / "out" / "records" / "map_page.json").write_text(json.dumps({"job": record}))
    code = "import sys, stitchbed.cli as c; c.stitchbed(sys.argv[1:], standalone_mode=False); print(*sys.modules)"
    told = subprocess.run(
        [sys.executable, "-c", code, "run", str(tmp_path)], check=True, capture_output=True, text=True, timeout=60
    ).stdout
    assert BY_HAND in told.splitlines()[0]
    assert not HEAVY & set(told.splitlines()[-1].split())
    assert "stitchbed.jobs.run" in told.splitlines()[-1]


def test_the_example_says_what_is_understood_also_where_it_is_commented_out(tmp_path: Path) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    awake = re.sub(r"^# (?=\[|[a-z_.]+ = )", "", text, flags=re.MULTILINE)
    (tmp_path / "job.toml").write_text(awake, encoding="utf-8")
    for path in (EXAMPLE, tmp_path / "job.toml"):
        job = job_of(path, list(STEPS))
        for name, table in job.tables.items():
            settings_of(settings_class(STEPS[name]), table, Place(name, job.folder), given={})
    assert awake.count("\n# ") < text.count("\n# ") and list(job.tables) == list(STEPS)


def test_wrong_use_of_the_command() -> None:
    for words in (["a", "b"], ["a", "--at-once", "2"], ["a", "--cluster", "tcp://x"], []):
        told = subprocess.run([sys.executable, "-m", "stitchbed", "run", *words], capture_output=True, check=False)
        assert told.returncode == 2
