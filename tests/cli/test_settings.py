"""I check options made from settings: names, ranges and defaults; what is said lands in the right field."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

import click
import pytest
from click.testing import CliRunner, Result

from stitchbed.cli.options import Shared
from stitchbed.cli.settings import settings_from, settings_options
from stitchbed.core.errors import BadSettings
from stitchbed.core.quantities import point_mm
from stitchbed.core.settings import Setting


@dataclass(frozen=True)
class Inner:
    """A stage of its own."""

    cell_mm: Annotated[float, Setting("Size of a cell.", unit="mm", low=0.5, high=20)] = 2.0
    tries: Annotated[int, Setting("How often.", low=1, high=9)] = 4


@dataclass(frozen=True)
class Outer:
    """Settings of a command."""

    codec: Annotated[str, Setting("Compression.", choices=("deflate", "none"))] = "deflate"
    bits: Annotated[int | None, Setting("Bits.", choices=(8, 16))] = None
    keep: Annotated[tuple[tuple[float, float], ...], Setting("Places.", unit="X,Y", many=True, read=point_mm)] = ()
    pair: Annotated[tuple[str, str] | None, Setting("Two names.", unit="A B", words=2)] = None
    table: Annotated[Path | None, Setting("A file.", option="patches")] = None
    crop: Annotated[bool, Setting("Crop.")] = True
    fast: Annotated[bool, Setting("Fast.")] = False
    hidden: Annotated[int, Setting("Of files only.", shell=False)] = 3
    inner: Inner = field(default_factory=Inner)
    memory: int = 1
    workers: int = 1


@click.command()
@settings_options(Outer)
def command(settings: Outer, shared: Shared) -> None:
    """Say what arrived."""
    click.echo(repr(settings))


def run(*words: str) -> Result:
    """The command with those words."""
    return CliRunner().invoke(command, words)


def arrived(*words: str) -> Outer:
    """The settings that arrived."""
    result = run(*words)
    assert result.exit_code == 0, result.output
    return eval(result.output, {"Outer": Outer, "Inner": Inner, "PosixPath": Path})


def plain(settings: Outer) -> dict[str, Any]:
    """Fields that the shared options do not set."""
    return {name: value for name, value in vars(settings).items() if name not in ("memory", "workers")}


def test_nothing_said_is_all_defaults() -> None:
    assert plain(arrived()) == plain(Outer())
    assert arrived("--workers", "3").workers == 3 and arrived("--memory", "2MiB").memory == 2**21


@pytest.mark.parametrize(
    ("words", "path", "value"),
    [
        (("--codec", "none"), ("codec",), "none"),
        (("--bits", "16"), ("bits",), 16),
        (("--keep", "3,4.5", "--keep", "1,2"), ("keep",), ((3.0, 4.5), (1.0, 2.0))),
        (("--pair", "a", "b"), ("pair",), ("a", "b")),
        (("--patches", "card.txt"), ("table",), Path("card.txt")),
        (("--no-crop",), ("crop",), False),
        (("--fast",), ("fast",), True),
        (("--cell-mm", "0.5"), ("inner", "cell_mm"), 0.5),
        (("--tries", "9"), ("inner", "tries"), 9),
    ],
)
def test_what_is_said_lands_in_its_field_and_nowhere_else(
    words: tuple[str, ...], path: tuple[str, ...], value: Any
) -> None:
    got = arrived(*words)
    at: Any = got
    for name in path:
        at = getattr(at, name)
    assert at == value and type(at) is type(value)
    others = {name: one for name, one in plain(got).items() if name != path[0]}
    assert others == {name: one for name, one in plain(Outer()).items() if name != path[0]}
    if path[0] == "inner":
        changed = {name for name in vars(Inner()) if getattr(got.inner, name) != getattr(Inner(), name)}
        assert changed == {path[1]}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--cell-mm", "0.4"), "out of range; it goes from 0.5 to 20"),
        (("--tries", "2.5"), "is not a whole number"),
        (("--cell-mm", "wide"), "is not a number"),
        (("--cell-mm", "inf"), "a number without an end"),
        (("--cell-mm", "nan"), "a number without an end"),
        (("--codec", "zip"), "is not one of"),
        (("--bits", "12"), "is not one of"),
        (("--keep", "3"), ""),
        (("--hidden", "4"), "No such option"),
        (("--no-fast",), "No such option"),
    ],
)
def test_what_does_not_fit_is_wrong_usage_in_words(words: tuple[str, ...], said: str) -> None:
    result = run(*words)
    assert result.exit_code == 2 and said in result.output


def test_help_tells_units_choices_and_defaults_once() -> None:
    text = " ".join(run("--help").output.split())
    assert "--cell-mm MM Size of a cell. [default: 2.0]" in text
    assert "--codec [deflate|none] Compression. [default: deflate]" in text
    assert "--crop / --no-crop Crop." in text and "--no-fast" not in text
    assert "Bits. [default" not in text and "--hidden" not in text


def test_settings_are_checked_as_a_whole() -> None:
    shared = Shared(json=False, quiet=True, memory=5, workers=2)
    made = settings_from(Outer, {("inner", "tries"): 7, ("keep",): (), ("bits",): None}, shared)
    assert made.inner == Inner(tries=7) and made.keep == () and (made.memory, made.workers) == (5, 2)
    with pytest.raises(BadSettings):
        settings_from(Outer, {("inner", "tries"): 70}, shared)
