"""I check what a pipeline is asked for before it begins.

In: paths and settings. Out: nothing, or an error in words.
"""

from __future__ import annotations

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
            attempt=f"{output.with_suffix('.tif').name}; `export` makes other formats from it",
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
