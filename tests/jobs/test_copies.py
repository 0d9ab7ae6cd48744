"""I check that a job's wishes for a copy reach the export, and which picture it is made of."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from stitchbed.copies.copies import CopySettings
from stitchbed.jobs import copies
from stitchbed.jobs.call import FLATS, LINES, Call
from stitchbed.jobs.copies import (
    BareWishes,
    LayersWishes,
    PrintWishes,
    WebWishes,
    write_bare,
    write_layers,
    write_print,
    write_web,
)
from stitchbed.pipelines.export import ExportSettings

PAGE = Path("clean/map.tif")
SOURCES = {LINES: (Path("lines.png"),), FLATS: (Path("flats.png"),)}
Write = Callable[[Call, Path], Mapping[str, Any]]


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Path, Path, ExportSettings]]:
    """What the export is asked for, instead of doing it."""
    calls: list[tuple[Path, Path, ExportSettings]] = []

    def export(page: Path, folder: Path, settings: ExportSettings, **_: object) -> dict[str, Any]:
        calls.append((page, folder, settings))
        return {"command": "export"}

    monkeypatch.setattr(copies, "export", export)
    return calls


def call(wishes: object, **more: Any) -> Call:
    """A step that may write out/map."""
    return Call(SOURCES, Path("out/map"), wishes, lambda *_: None, **more)


@pytest.mark.parametrize(
    ("write", "wishes", "kind", "said"),
    [
        (write_layers, LayersWishes(bits=8), "layers", CopySettings(layer_bits=8)),
        (write_print, PrintWishes(mm=(200, 100), dpi=240, codec="zstd"), "print",
         CopySettings(print_mm=(200, 100), print_dpi=240, codec="zstd")),
        (write_web, WebWishes(px=900, sharpen=0.25), "web", CopySettings(web_px=900, sharpen=0.25)),
        (write_bare, BareWishes(), "nopaper", CopySettings()),
    ],
)  # fmt: skip
def test_what_was_wished_is_what_the_export_is_asked_for(
    write: Write, wishes: Any, kind: str, said: CopySettings, asked: list
) -> None:
    assert write(call(wishes), PAGE) == {"command": "export"}
    ((page, folder, settings),) = asked
    assert (page, folder, settings.stem) == (PAGE, Path("out"), "map")
    assert settings.make == (kind,) and settings.copies == said
    assert (settings.lines, settings.flats) == (Path("lines.png"), Path("flats.png"))
    assert settings.record == f"map_{kind}.json"


@pytest.mark.parametrize("wishes", [PrintWishes(), WebWishes(), BareWishes(), LayersWishes()])
def test_what_is_not_wished_is_the_export_s_own_default(wishes: Any, asked: list) -> None:
    write = {PrintWishes: write_print, WebWishes: write_web, BareWishes: write_bare, LayersWishes: write_layers}
    write[type(wishes)](call(wishes), PAGE)
    assert asked[0][2].copies == CopySettings()


OF_EITHER = [(write_print, PrintWishes), (write_web, WebWishes), (write_bare, BareWishes)]


@pytest.mark.parametrize(("write", "wishes"), OF_EITHER)
def test_of_the_page_leaves_lines_and_flats_aside(write: Write, wishes: Any, asked: list) -> None:
    write(call(wishes(of="page")), PAGE)
    assert (asked[0][2].lines, asked[0][2].flats) == (None, None)


def test_a_record_goes_where_the_job_says_and_means_are_passed_on(asked: list) -> None:
    write_web(call(WebWishes(memory=7, workers=5), notes=Path("notes/web.json"), replace=True), PAGE)
    settings = asked[0][2]
    assert (settings.records, settings.record) == (Path("notes"), "web.json")
    assert (settings.memory, settings.workers, settings.replace) == (7, 5, True)
