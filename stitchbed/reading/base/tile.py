"""I am what is known of one original without reading its pixels.

In: header facts. Out: frozen values.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

UNEVEN = 0.02  # share by which a file's two resolutions differ at most


@dataclass(frozen=True)
class Raster:
    """What a file's header says of its pixels, after orientation (EXIF/TIFF) is honored.

    shape : (rows, cols, channels); channels 1 grey, 3 RGB - as handed out, alpha not counted.
    dtype : "uint8" or "uint16" as handed out (1-bit and palette files are handed out as uint8).
    bits : bits per sample stored in the file.
    icc : embedded profile bytes or None.
    dpi : (x, y) per inch or None when the file does not say (absent, zero, or without unit).
    windowed : True when windows are read without decoding the whole file.
    alpha : True when the file carries an alpha channel.
    lost : what its kind of file lost of the picture, in phrases; see `metadata.losses`.
    white : of a raw photograph, its white balance: (red, blue) multipliers, green 1; else None.
    """

    shape: tuple[int, int, int]
    dtype: str
    bits: int
    icc: bytes | None
    dpi: tuple[float, float] | None
    windowed: bool
    alpha: bool = False
    lost: tuple[str, ...] = ()
    white: tuple[float, float] | None = None

    @property
    def uneven(self) -> bool:
        """True where the file says another resolution across than down."""
        return self.dpi is not None and abs(self.dpi[0] / self.dpi[1] - 1) > UNEVEN


@dataclass(frozen=True)
class Tile:
    """One original. `name` is unique within a job (file name, with folder where names clash)."""

    name: str
    path: Path
    sha256: str
    raster: Raster
