"""I tell how copies are made: for print, for the web, in layers, without paper.

In: a clean page, its lines, its flats, or some of them. Out: files in a folder, and a record.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated

from stitchbed.color.convert import hex_color
from stitchbed.copies.artwork import Artwork, check_sizes, is_painted
from stitchbed.copies.copies import EXPORTS, CopySettings, Task
from stitchbed.core.errors import BadSettings, CannotWrite
from stitchbed.core.files import read_file, sha256_of, write_json
from stitchbed.core.locks import locked
from stitchbed.core.memory import workers_within
from stitchbed.core.progress import Cancel, Progress, never, silent, watched
from stitchbed.core.quantities import listed
from stitchbed.core.record import found_notes, notes_of, recording
from stitchbed.core.settings import DPI, Setting, check
from stitchbed.output.room import demand_free
from stitchbed.page.found_medium import medium_told
from stitchbed.page.page import Page, page_of
from stitchbed.pipelines.contract.claims import claim_outputs
from stitchbed.pipelines.contract.inputs import Inputs, one_path, paths_of
from stitchbed.pipelines.contract.records import StepRecord, told_of
from stitchbed.reading.formats import open_windows, read_header

MOST_BYTES = 6  # for each pixel of a copy: RGB in 16 bits that hardly packs; smaller copies and flats take less
PAINTED = "the page looks painted: it is copied as it is; among layers, its lines and areas of color are there, hidden"
WORKER_BYTES = 192 * 2**20  # one thread's share: a part of the artwork in linear light, measured


@dataclass(frozen=True)
class ExportSettings:
    """make : which of `copies.copies.EXPORTS`; None makes all that the given layers allow.

    lines, flats : made by the commands of these names, or None. stem : how names begin; None takes the page's.
    replace : keep aside what lies there and was not made here.
    records : folder for the record, None: beside the copies. record : its name; None: STEM_export.json.
    copies : sizes and depths. dpi : where the files are wrong or silent.
    memory : bytes to work in. workers : threads.
    """

    make: Annotated[
        tuple[str, ...] | None,
        Setting(
            "Which, with commas: layers,print,web,nopaper. All that can be made, when not said.",
            unit="COPIES",
            read=listed,
        ),
    ] = None
    lines: Annotated[Path | None, Setting("The line layer.")] = None
    flats: Annotated[Path | None, Setting("The flats.")] = None
    stem: Annotated[str | None, Setting("How file names begin.", option="name")] = None
    replace: bool = False
    records: Path | None = None
    record: Annotated[str | None, Setting("Name of the record.", shell=False)] = None
    copies: CopySettings = field(default_factory=CopySettings)
    dpi: Annotated[float | None, DPI] = None
    memory: int = 2**30
    workers: int = 2
    full_paths: bool = False


def export(
    inputs: Inputs,
    output: str | Path,
    settings: ExportSettings | None = None,
    *,
    progress: Progress = silent,
    cancel: Cancel = never,
) -> StepRecord:
    """Write copies into the folder `output`, which must exist; returns the record, also written there.

    inputs : the clean page; nothing when lines (and flats) are all there is.

    Raises
    ------
    BadSettings : unknown copies, layers that do not fit, a name with folders. WouldTouchOriginal : a file exists.
    CannotWrite : see ground.
    """
    settings = settings or ExportSettings()
    check(settings)
    workers = workers_within(settings.workers, settings.memory, WORKER_BYTES)
    folder, progress = Path(output), watched(progress, cancel)
    page = one_path(inputs, "export", settings.dpi) if paths_of(inputs) else None
    originals = [path for path in (page, settings.lines, settings.flats) if path is not None]
    notes = _notes(originals)  # the first to look for them: a missing page is told before a missing folder
    wanted = _wanted(settings, originals, folder)
    stem = _one_name(settings.stem or (page or settings.lines or settings.flats or Path("copy")).stem)
    with (
        locked(folder / stem),
        ExitStack() as stack,
        recording("export", replace(settings, memory=0, workers=0, records=None)) as record,
    ):
        sheet, lines, flats = (_opened(stack, path, settings) for path in (page, settings.lines, settings.flats))
        art = Artwork(sheet, lines, flats, _paper_of(settings.flats))
        check_sizes(art)
        paths = {name: folder / EXPORTS[name].name(stem, art, settings.copies) for name in wanted}
        told_in = notes_of(folder / (settings.record or f"{stem}_export.json"), settings.records)
        beside = [found_notes(settings.flats)] if settings.flats else []  # read for the paper's color
        record.warnings = claim_outputs([*paths.values(), told_in], [*originals, *beside], settings)
        record.warnings += notes
        demand_free(told_in, len(wanted) * art.first.height * art.first.width * MOST_BYTES, "the copies")
        record.inputs = {path.name: sha256_of(path) for path in originals}
        art = replace(art, medium=medium_told(page, record.inputs[page.name]) if page else "")
        art = replace(art, painted=is_painted(art, workers=workers, progress=progress))
        record.warnings += [PAINTED] if art.painted else []
        for done, (name, path) in enumerate(paths.items()):
            progress("copying", done, len(paths))
            task = Task(path, art, settings.copies, workers, tuple(originals), progress)
            numbers = EXPORTS[name].write(task)
            record.numbers[name] = {"file": path.name, "bytes": path.stat().st_size, **numbers}
            record.outputs[path.name] = sha256_of(path)
            record.warnings += [words] if (words := numbers.get("doubt")) else []
    told = told_of(record, "export", told_in, settings)
    write_json(told_in, told, originals=originals)
    return told


def _wanted(settings: ExportSettings, inputs: list[Path], folder: Path) -> list[str]:
    """Names of the copies to make, in the order of EXPORTS."""
    if not inputs:
        raise BadSettings("nothing to copy", expected="a page, lines or flats", attempt="export PAGE.tif -o FOLDER")
    if not folder.is_dir():
        raise CannotWrite(
            f"the folder {folder} does not exist", expected="an existing folder", attempt=f"mkdir {folder}"
        )
    unknown = [name for name in settings.make or () if name not in EXPORTS]
    if unknown:
        raise BadSettings(f"a copy named {unknown[0]!r}", expected=", ".join(EXPORTS), attempt="--make print,web")
    layered = settings.lines is not None or settings.flats is not None
    return [n for n in EXPORTS if (n in settings.make if settings.make is not None else n != "layers" or layered)]


def _one_name(stem: str) -> str:
    """The beginning of file names, refused when it leads into another folder."""
    if any(mark in stem for mark in ("/", "\\", "\0")):
        raise BadSettings(
            f"copies named {stem!r}", expected="a name without folders in it", attempt="-o for the folder, --name map"
        )
    return stem


def _opened(stack: ExitStack, path: Path | None, settings: ExportSettings) -> Page | None:
    if path is None:
        return None
    return page_of(stack.enter_context(open_windows(path, memory=settings.memory)), dpi=settings.dpi)


def _notes(paths: Sequence[Path]) -> list[str]:
    """What the files' headers say was passed over in them."""
    return [f"{path.name}: {note}" for path in paths for note in read_header(path).notes]


def _paper_of(flats: Path | None) -> tuple[int, int, int]:
    """The paper's color, as the record beside the flats tells it; white without."""
    if flats is not None:
        with suppress(OSError, ValueError, KeyError, TypeError, BadSettings):
            return hex_color(json.loads(read_file(found_notes(flats)))["settings"]["paper"])
    return 255, 255, 255
