"""I check what a pipeline is asked for before it begins.

In: paths and settings. Out: nothing, or an error in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from stitchbed.core.errors import BadSettings


def check_name(output: Path) -> None:
    """Refuse an output whose name promises another format.

    Raises
    ------
    BadSettings : not .tif or .tiff.
    """
    if output.suffix.lower() not in (".tif", ".tiff"):
        raise BadSettings(
            f"the output {output.name}",
            expected="a file name ending in .tif",
            attempt=f"{output.stem or 'result'}.tif; `export` makes other formats from it",
        )


def stored_as(bits: int) -> str:
    """The type results of so many bits per channel are stored as.

    Raises
    ------
    BadSettings : any other than 8 and 16; a master in floating point is not written.
    """
    dtype = {8: "uint8", 16: "uint16"}.get(bits)
    if dtype is None:
        raise BadSettings(f"--bits {bits}", expected="8 or 16", attempt="--bits 16, which holds all that cameras see")
    return dtype


Inputs = str | Path | Sequence[str | Path]


def paths_of(inputs: Inputs | None) -> list[Path]:
    """Paths of one name or of several."""
    if inputs is None:
        return []
    return [Path(inputs)] if isinstance(inputs, str | Path) else [Path(one) for one in inputs]


def one_path(inputs: Inputs, command: str, dpi: float | None = None) -> Path:
    """The only path among the inputs; a page of a PDF that is not one picture is drawn at `dpi` where that is given.

    Raises
    ------
    BadSettings : none or several. UnreadableTile : with a dpi, what the path names cannot be read.
    """
    paths = paths_of(inputs)
    if len(paths) != 1:
        raise BadSettings(f"{len(paths)} pictures for {command}", expected="one picture", attempt="one call for each")
    if dpi is None:
        return paths[0]
    from stitchbed.reading.formats import as_asked  # late: `plan` reads no picture and starts without the readers

    return as_asked(paths[0], dpi)
