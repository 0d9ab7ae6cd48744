"""I check that every path a command reads counts as read, whatever setting or folder names it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pytest

from stitchbed.core.errors import BadSettings, StitchbedError, WouldTouchOriginal
from stitchbed.pipelines.contract.claims import claim_outputs, claim_page, paths_in


@dataclass(frozen=True)
class Inner:
    """Settings within settings."""

    table: Path | None = None


@dataclass(frozen=True)
class Outer:
    """Paths at every depth."""

    blank: Path | None = None
    inner: Inner = field(default_factory=Inner)
    many: tuple[Path, ...] = ()
    mixed: list[object] = field(default_factory=list)
    replace: bool = False
    name: str = "a.tif"  # a word is no path


def file(path: Path, text: str = "by hand") -> Path:
    """A file that was not made here."""
    path.write_text(text)
    return path


def test_paths_are_found_at_every_depth() -> None:
    a, b, c, d, e = (Path(name) for name in "abcde")
    settings = Outer(a, Inner(b), (c,), [1, (d, Inner(e))])
    assert list(paths_in(settings)) == [a, b, c, d, e]
    assert list(paths_in(None)) == list(paths_in(Outer)) == list(paths_in("a.tif")) == []


def test_a_free_name_is_claimed_without_a_word(tmp_path: Path) -> None:
    piece = file(tmp_path / "a.tif")
    assert claim_outputs([tmp_path / "out.tif"], [piece]) == []
    assert list(tmp_path.iterdir()) == [piece]


@pytest.mark.parametrize("way", ["itself", "in its folder", "a setting", "deep in the settings"])
def test_what_is_read_is_never_written(way: str, tmp_path: Path) -> None:
    piece = file(tmp_path / "a.tif")
    inputs = {"itself": [piece], "in its folder": [tmp_path]}.get(way, [])
    settings = {"a setting": Outer(piece), "deep in the settings": Outer(mixed=[(Inner(piece),)])}.get(way)
    for replace in (False, True):
        asked = Outer(replace=replace) if settings is None else settings
        with pytest.raises(WouldTouchOriginal, match=r"a\.tif"):
            claim_outputs([piece], inputs, asked)
    assert piece.read_text() == "by hand"


def test_a_folder_in_a_folder_of_pieces_holds_no_pieces(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    file(tmp_path / "a.tif")
    assert claim_outputs([tmp_path / "out" / "canvas.tif"], [tmp_path]) == []


def test_what_others_made_is_refused_or_kept_aside_as_the_settings_say(tmp_path: Path) -> None:
    there = file(tmp_path / "out.tif", "someone's")
    with pytest.raises(StitchbedError):
        claim_outputs([there], [], Outer())
    assert there.read_text() == "someone's"
    words = claim_outputs([there], [], Outer(replace=True))
    assert len(words) == 1 and "out" in words[0]
    assert [one.read_text() for one in tmp_path.iterdir() if one.is_file()] == ["someone's"]


def test_a_result_without_a_name_is_refused() -> None:
    for path in (Path(), Path("/")):
        with pytest.raises(BadSettings, match="empty name"):
            claim_outputs([path], [])


def test_a_page_may_not_lie_on_result_record_or_pieces(tmp_path: Path) -> None:
    piece, output = file(tmp_path / "a.tif"), tmp_path / "out.tif"
    claim_page(None, output, [piece])
    claim_page(tmp_path / "proof.html", output, [piece])
    for taken in (piece, output, output.with_suffix(".json")):
        file(taken)
        with pytest.raises(WouldTouchOriginal):
            claim_page(taken, output, [piece])
