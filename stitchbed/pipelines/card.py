"""I make the reference card: a page to print, the same page as pixels, and the table of its patches.

In: paper, pieces, a path. Out: card.pdf, card.png (one picture for each page) and card.txt beside it.
"""

from __future__ import annotations

import io
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated

from PIL import Image

from stitchbed.card.board import LINE_ACROSS_MM, LINE_DOWN_MM, VERSION
from stitchbed.card.cgats import PatchTable, written
from stitchbed.card.sheet import PAPERS, Sheet, sheets
from stitchbed.color.profiles import srgb_profile
from stitchbed.core.errors import BadSettings
from stitchbed.core.files import claim, claimed, sha256_of
from stitchbed.core.progress import Cancel, Progress, never, silent, watched
from stitchbed.core.record import recording
from stitchbed.core.settings import Setting, check
from stitchbed.drawing.pdf import pdf_of
from stitchbed.drawing.raster import pixels_of
from stitchbed.pipelines.contract.inputs import Inputs, paths_of
from stitchbed.pipelines.contract.records import StepRecord, told_of

PNG_DPI = 600  # a marker cell of 1 mm gets 23.6 px
FIELDS = ("SAMPLE_ID", "X_MM", "Y_MM", "W_MM", "H_MM", "LAB_L", "LAB_A", "LAB_B")


@dataclass(frozen=True)
class CardSettings:
    """paper : to print on. piece : "corner" for four small cards round the work, "full" for one beside it, "all".

    replace : keep aside what lies there and was not made here. full_paths : in the record.
    """

    paper: Annotated[str, Setting("Paper to print on.", choices=tuple(PAPERS))] = "A4"
    piece: Annotated[
        str,
        Setting(
            "Four small cards to lay round the work, one large card to lay beside it, or both.",
            choices=("corner", "full", "all"),
        ),
    ] = "all"
    replace: bool = False
    full_paths: bool = False


def make_card(
    inputs: Inputs,
    output: str | Path,
    settings: CardSettings | None = None,
    *,
    progress: Progress = silent,
    cancel: Cancel = never,
) -> StepRecord:
    """Write the card files; returns the record. inputs : none.

    Raises
    ------
    BadSettings : unknown paper or piece, or a path that does not end in .pdf.
    """
    settings = settings or CardSettings()
    check(settings)
    path, progress = Path(output), watched(progress, cancel)
    if paths_of(inputs):
        raise BadSettings(
            "pictures given to `card`", expected="none: it is made from nothing", attempt="card -o card.pdf"
        )
    if path.suffix.lower() != ".pdf":
        raise BadSettings(f"the name {path.name}", expected="a name ending in .pdf", attempt="card -o card.pdf")
    table = path.with_suffix(".txt")
    pages = sheets(settings.paper, settings.piece)
    pictures = [_picture_path(path, sheet, first=index == 0) for index, sheet in enumerate(pages)]
    kept_aside = claim([path, *pictures, table], [], replace=settings.replace)
    with recording("card", {**asdict(settings), "version": VERSION}) as record:
        progress("drawing", 0, 1)
        _write(path, pdf_of([sheet.page for sheet in pages], "Reference card", srgb_profile()))
        for picture, sheet in zip(pictures, pages, strict=True):
            _write(picture, _png_of(sheet))
        _write(table, written(patch_table(pages)).encode("ascii"))
        files = [path, *pictures, table]
        record.outputs = {file.name: sha256_of(file) for file in files}
        record.warnings = kept_aside
        record.numbers = {"check_line_across_mm": LINE_ACROSS_MM, "check_line_down_mm": LINE_DOWN_MM}
    return told_of(record, "card", path, settings)


def patch_table(pages: tuple[Sheet, ...]) -> PatchTable:
    """Patches of the sheets: name, place on its sheet from the top left corner in mm, nominal CIELAB D50."""
    rows = []
    for sheet in pages:
        for laid in sheet.laid:
            for patch in laid.piece.patches:
                place = (laid.x + patch.x, laid.y + patch.y, patch.width, patch.height)
                rows.append((patch.name, *(f"{mm:.2f}" for mm in place), *(f"{value:.2f}" for value in patch.lab)))
    keywords = {
        "ORIGINATOR": "stitchbed",
        "DESCRIPTOR": f"stitchbed card version {VERSION}: {', '.join(sheet.name for sheet in pages)}",
        "MEASUREMENT_SOURCE": "none: nominal values, D50, 2 degree observer; replace LAB columns by measured values",
    }
    return PatchTable("CGATS.17", keywords, FIELDS, tuple(rows))


def _picture_path(path: Path, sheet: Sheet, *, first: bool) -> Path:
    return path.with_suffix(".png") if first else path.with_name(f"{path.stem}-{sheet.name}.png")


def _png_of(sheet: Sheet) -> bytes:
    file = io.BytesIO()
    picture = Image.fromarray(pixels_of(sheet.page, PNG_DPI))
    picture.save(file, "PNG", dpi=(PNG_DPI, PNG_DPI), icc_profile=srgb_profile(), optimize=False)
    return file.getvalue()


def _write(path: Path, content: bytes) -> None:
    with claimed(path) as partial:
        partial.write_bytes(content)
