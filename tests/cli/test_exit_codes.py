"""I check how the command ends: words and an exit code that is documented, whatever happens inside."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from stitchbed import cli
from stitchbed.cli.options import Shared, shared_options


@pytest.mark.parametrize(
    ("error", "code", "word"),
    [
        (EOFError("Ran out of input"), 1, "EOFError"),
        (KeyboardInterrupt(), 130, "Stopped."),
        (RuntimeError("odd"), 1, "odd"),
        (MemoryError(), 1, "gave no more memory"),
        (FileNotFoundError(2, "No such file or directory", "x.tif"), 1, "x.tif"),
        (BrokenPipeError(32, "Broken pipe"), 1, ""),
        (RecursionError("deep"), 1, "deep"),
    ],
)
def test_whatever_happens_ends_in_words(
    error: BaseException, code: int, word: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The end of a file inside is no wish to stop, though click takes it for one."""

    @click.command()
    def command() -> None:
        raise error

    monkeypatch.setattr(cli.Commands, "get_command", lambda *_: command)
    monkeypatch.setattr(sys, "argv", ["stitchbed", "join"])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    said = capsys.readouterr().err
    assert ended.value.code == code and word in said and "Traceback" not in said
    assert ("Stopped." in said) == isinstance(error, KeyboardInterrupt)


WAITING = """
import signal, sys, time
signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored where a shell began this in its background
from stitchbed import cli
import click
@click.command()
def command():
    try:
        print("begun", flush=True)
        time.sleep(60)
    finally:
        print("swept", flush=True)
cli.Commands.get_command = lambda *_: command
sys.argv = ["stitchbed", "join"]
cli.main()
"""


@pytest.mark.parametrize(("number", "code"), [(signal.SIGTERM, 143), (signal.SIGINT, 130)])
def test_asked_to_end_it_sweeps_and_says_so_by_its_code(number: int, code: int) -> None:
    with subprocess.Popen([sys.executable, "-c", WAITING], stdout=-1, stderr=-1, text=True) as child:
        assert child.stdout is not None and child.stderr is not None
        assert child.stdout.readline() == "begun\n"
        child.send_signal(number)
        assert child.wait(30) == code
        assert child.stdout.read() == "swept\n" and "Traceback" not in child.stderr.read()


@pytest.mark.parametrize("words", [["plan", "--art", "A3", "--bed", "A4"], ["--help"], ["plan", "--help"]])
def test_an_answer_nobody_takes_is_no_traceback(words: list[str]) -> None:
    """The disk that is always full; a folder that is gone."""
    with Path("/dev/full").open("w") as full:
        told = subprocess.run(
            [sys.executable, "-m", "stitchbed", *words], stdout=full, stderr=-1, text=True, check=False
        )
    assert told.returncode == 1 and "no space left" in told.stderr and "Traceback" not in told.stderr


def test_a_working_folder_that_is_gone(tmp_path: Path) -> None:
    gone = tmp_path / "gone"
    script = "import os, sys; os.rmdir(os.getcwd()); from stitchbed.__main__ import main; main()"
    gone.mkdir()
    root = Path(cli.__file__).resolve().parents[2]
    told = subprocess.run(
        [sys.executable, "-c", script, "join", "a.tif", "-o", "b.tif"],
        cwd=gone, env={**os.environ, "PYTHONPATH": str(root)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert told.returncode == 1 and "Found" in told.stderr and "Traceback" not in told.stderr


def test_machines_of_many_processors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 96)

    @click.command()
    @shared_options
    def command(shared: Shared) -> None:
        click.echo(shared.workers)

    assert CliRunner().invoke(command, []).output == "64\n"


@pytest.mark.parametrize("value", ["nan", "1e300", "", "x" * 10_000, "9" * 400, "a\0b", "a\nb"])
@pytest.mark.parametrize(
    "option", ["--output", "--web-px", "--print-dpi", "--name", "--memory", "--workers", "--lines"]
)
def test_what_nobody_should_type_is_told_in_words(option: str, value: str, tmp_path: Path) -> None:
    """Of one command; all options of all commands: python tests/benches/bench_words.py."""
    words = ("export", str(tmp_path / "page.tif"), "-o", str(tmp_path), option, value)
    error = CliRunner().invoke(cli.stitchbed, words, standalone_mode=False).exception
    assert isinstance(error, click.ClickException) or (error and "nobody foresaw" not in str(cli.in_words(error)))
