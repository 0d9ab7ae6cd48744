"""I check what `run` and `desk` make of their words, without doing the work."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result

from stitchbed.cli.commands import run as running
from stitchbed.cli.desk import desk as desking


def run(*words: str) -> Result:
    """The command with those words."""
    return CliRunner().invoke(running.command, words)


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, ...]]:
    """What would be done."""
    calls: list[tuple[Any, ...]] = []

    def prepared(path: Path, **how: Any) -> Any:
        calls.append(("prepared", path, how["kind"], how["anew"], how["out"]))
        return SimpleNamespace(path=path / "job.toml", words="Taken for pages.")

    def whole(job: Any, settings: Any, **_: Any) -> tuple[dict[str, Any], str]:
        calls.append(("whole", job, settings.upto, settings.memory, settings.replace))
        return {"command": "run", "steps": []}, "Done."

    def each(jobs: tuple[Path, ...], settings: Any, **_: Any) -> tuple[dict[str, Any], str]:
        calls.append(("each", jobs, settings.run.workers))
        return {"command": "run", "failed": int("bad" in str(jobs))}, "All."

    monkeypatch.setattr(running, "prepared", prepared)
    monkeypatch.setattr(running, "job_of", lambda path, steps, out=None: (path, out))
    monkeypatch.setattr(running, "run_whole", whole)
    monkeypatch.setattr(running, "run_each", each)
    return calls


def test_one_folder_is_prepared_and_done(asked: list) -> None:
    result = run("scans", "-o", "results", "--upto", "clean", "--memory", "2MiB", "--as", "pages")
    assert result.exit_code == 0 and result.output == "Taken for pages.\nDone.\n"
    assert asked == [
        ("prepared", Path("scans"), "pages", False, Path("results")),
        ("whole", (Path("scans/job.toml"), Path("results")), "clean", 2**21, False),
    ]


def test_a_new_job_file_is_only_written(asked: list) -> None:
    result = run("scans", "--new", "--json")
    assert result.exit_code == 0 and '"taken_for": "Taken for pages."' in result.output
    assert [call[0] for call in asked] == ["prepared"]


def test_many_are_done_each_on_its_own(asked: list) -> None:
    assert run("--each", "a", "b", "--workers", "3").exit_code == 0
    assert asked == [("each", (Path("a"), Path("b")), 3)]
    assert run("--each", "bad").exit_code != 0  # one failed


@pytest.mark.parametrize(
    "words", [("a", "b"), ("a", "--at-once", "2"), ("--each", "a", "--new"), ("--each", "a", "--as", "pages"), ()]
)
def test_what_does_not_go_together_is_wrong_usage(words: tuple[str, ...], asked: list) -> None:
    assert run(*words).exit_code == 2 and asked == []


@pytest.mark.parametrize("browser", [True, False])
def test_the_desk_opens_its_address_in_the_browser_or_tells_it(
    browser: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[str] = []
    monkeypatch.setattr(desking.webbrowser, "open", opened.append)
    monkeypatch.setattr("stitchbed.desk.server.serve", lambda app, sock, ready, ending: (ready(), ending()))
    words = [str(tmp_path), *([] if browser else ["--no-browser"])]
    result = CliRunner().invoke(desking.command, words)
    assert result.exit_code == 0, result.output
    address = result.output.split("The desk is open: ")[1].split("\n")[0]
    assert address.startswith("http://127.0.0.1:") and len(opened) == browser
    assert all(
        one.split("=")[0] == address.split("=")[0] and one != address for one in opened
    )  # each goes in by a word of its own
    assert list(tmp_path.iterdir()) == []
