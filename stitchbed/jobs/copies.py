"""I am the copies of a job: for each kind the settings a job file may hold, and how the copy is made.

In: a call with the page, and lines and flats where the job makes them. Out: the story's record.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from stitchbed.copies.copies import CUTS, CopySettings
from stitchbed.core.settings import BITS, CODEC, Setting
from stitchbed.jobs.call import FLATS, LINES, Call
from stitchbed.pipelines.export import ExportSettings, export

STANDARD = CopySettings()
OF = Setting("The lines over the flats, where the job makes them, or the page.", choices=("artwork", "page"))


@dataclass(frozen=True)
class LayersWishes:
    """bits : 8, 16, or None for the artwork's depth. memory : bytes to work in. workers : threads."""

    bits: Annotated[int | None, BITS] = STANDARD.layer_bits
    memory: int = 2**30
    workers: int = 2


@dataclass(frozen=True)
class PrintWishes:
    """of : the "artwork" (lines over flats, where the job makes them) or the "page". mm : width, height to fit into.

    dpi : of the print. codec : of its TIFF. memory : bytes to work in. workers : threads.
    """

    of: Annotated[str, OF] = "artwork"
    mm: Annotated[
        tuple[float, float] | None, Setting("Room for the print; its shape is kept.", unit="mm", low=1, high=1e5)
    ] = STANDARD.print_mm
    dpi: Annotated[float | None, Setting("Dpi of the print.", unit="dpi", low=1, high=100_000)] = STANDARD.print_dpi
    codec: Annotated[str, CODEC] = STANDARD.codec
    memory: int = 2**30
    workers: int = 2


@dataclass(frozen=True)
class WebWishes:
    """of : as of a print. px : longest side. sharpen : amount once made smaller. memory, workers : as of a print."""

    of: Annotated[str, OF] = "artwork"
    px: Annotated[int, Setting("Longest side.", unit="px", low=16, high=65_535)] = STANDARD.web_px
    sharpen: Annotated[float, Setting("Amount once made smaller.", low=0, high=5)] = STANDARD.sharpen
    memory: int = 2**30
    workers: int = 2


@dataclass(frozen=True)
class BareWishes:
    """of, memory, workers : as of a print. cut, holes : as of `CopySettings`."""

    of: Annotated[str, OF] = "artwork"
    cut: Annotated[str, Setting("The figure whole, or each tone as alpha; found from the page.", choices=CUTS)] = (
        STANDARD.cut
    )
    holes: Annotated[
        tuple[tuple[float, float], ...], Setting("Paper inside the figure that goes too.", unit="mm", low=0)
    ] = STANDARD.holes
    memory: int = 2**30
    workers: int = 2


def write_layers(call: Call, page: Path) -> Mapping[str, Any]:
    """Lines, flats and paper as layers."""
    return _copy(call, page, "layers", CopySettings(layer_bits=call.settings.bits))


def write_print(call: Call, page: Path) -> Mapping[str, Any]:
    """One flattened TIFF."""
    said = call.settings
    return _copy(call, page, "print", CopySettings(print_mm=said.mm, print_dpi=said.dpi, codec=said.codec))


def write_web(call: Call, page: Path) -> Mapping[str, Any]:
    """One PNG for screens."""
    return _copy(call, page, "web", CopySettings(web_px=call.settings.px, sharpen=call.settings.sharpen))


def write_bare(call: Call, page: Path) -> Mapping[str, Any]:
    """One PNG without paper."""
    return _copy(call, page, "nopaper", CopySettings(cut=call.settings.cut, holes=call.settings.holes))


def _copy(call: Call, page: Path, kind: str, copies: CopySettings) -> Mapping[str, Any]:
    """The copy of one kind, with a record of its own."""
    whole = getattr(call.settings, "of", "artwork") == "artwork"
    lines, flats = (call.sources[one][0] if whole and one in call.sources else None for one in (LINES, FLATS))
    notes = call.notes or call.output.with_name(f"{call.output.name}_{kind}.json")
    settings = ExportSettings(
        (kind,), lines, flats, call.output.name, call.replace, notes.parent, notes.name, copies,
        memory=call.settings.memory, workers=call.settings.workers,
    )  # fmt: skip
    return export(page, call.output.parent, settings, progress=call.progress)
