"""I check how the command ends: words and an exit code that is documented, whatever happens inside."""

from __future__ import annotations

import sys

import click
import pytest

from stitchbed import cli


@pytest.mark.parametrize(
    ("error", "code", "word"),
    [
        (EOFError("Ran out of input"), 1, "EOFError"),
        (KeyboardInterrupt(), 130, "Stopped."),
        (RuntimeError("odd"), 1, "odd"),
        (MemoryError(), 1, "MemoryError"),
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
