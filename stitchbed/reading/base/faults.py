"""I word what is wrong with a picture file.

In: a path and what was met there. Out: an `UnreadableTile` that names the file and says what to do.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from stitchbed.core.errors import CanvasTooLarge, StitchbedError, UnreadableTile

READABLE = "a whole picture of a kind that is read here (README lists them), gray, RGB or palette"
SAVE_AGAIN = "scan it again, or open it where it still opens and save it as plain TIFF under a new name"
AS_PLAIN_TIFF = "save it as RGB or gray, 8 or 16 bits per channel, as TIFF with deflate compression or none"
SCAN_AS_RGB = "set the scanner software to RGB color or grayscale (output or color management tab) and scan again"
SMALL = 16_000_000  # px
AT_ONCE = 0.75  # of the memory to work in, for a picture that must be decoded in one go


class NotOnePicture(UnreadableTile):
    """A page that shows more or other than one picture; it can be drawn at a resolution."""


def unreadable(path: Path, found: str, *, expected: str = READABLE, attempt: str = SAVE_AGAIN) -> UnreadableTile:
    """The error of one file; `found` continues the sentence that begins with its name."""
    return UnreadableTile(f"{shown(path)} {found}", expected=expected, attempt=attempt)


def shown(path: Path) -> str:
    """A path as it can be printed anywhere: bytes that are no text and control characters are escaped."""
    text = str(path).encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in text)


def check_size(path: Path, size: tuple[int, int], *, max_pixels: int) -> None:
    """Refuse pictures without pixels and pictures with too many; size : (height, width) px."""
    height, width = size
    if height <= 0 or width <= 0:
        raise unreadable(path, f"claims a size of {width} x {height} px")
    if height * width > max_pixels:
        raise CanvasTooLarge(
            f"{shown(path)} claims {width:,} x {height:,} px, that is {height * width / 1e6:,.0f} megapixels",
            expected=f"at most {max_pixels / 1e6:,.0f} megapixels in one picture",
            attempt="check the file with another program; if it is right, cut it into pieces",
        )


def check_growth(path: Path, size: tuple[int, int], stored: int, most: int) -> None:
    """Refuse a claim of (height, width) px that `stored` bytes cannot meet; most : px a byte can stand for.

    Small pictures may be blank, of which a few bytes hold any number of px.
    """
    if size[0] * size[1] > max(SMALL, stored * most):
        raise unreadable(path, f"is damaged: {stored:,} bytes cannot hold {size[1]:,} x {size[0]:,} px")


def check_at_once(path: Path, needed: int, memory: int) -> None:
    """Refuse a picture that takes more than AT_ONCE of `memory` to decode in one go; both in bytes."""
    if needed > AT_ONCE * memory:
        raise CanvasTooLarge(
            f"{shown(path)} is stored in very large pieces; decoding one takes {needed / 2**20:,.0f} MiB",
            expected=f"at most {AT_ONCE * memory / 2**20:,.0f} MiB of the {memory / 2**20:,.0f} MiB to work in",
            attempt=f"--memory {-(-needed // (AT_ONCE * 2**20)):.0f}MiB, or save it as TIFF in strips or tiles",
        )


@contextmanager
def telling(path: Path, doing: str) -> Iterator[None]:
    """Turn whatever a decoder or the system raises inside the block into an `UnreadableTile` naming `path`.

    Decoders of foreign libraries raise many kinds of errors on damaged data, so every `Exception` counts here.
    """
    try:
        yield
    except StitchbedError:
        raise
    except OSError as error:
        raise _system_fault(path, error) from error
    except MemoryError as error:
        raise unreadable(path, f"needs more memory than there is while {doing}") from error
    except Exception as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise unreadable(path, f"is damaged: {doing} failed ({reason[:200]})") from error


def _system_fault(path: Path, error: OSError) -> UnreadableTile:
    reason = (error.strerror or str(error)).lower()
    ways = {
        FileNotFoundError: ("does not exist", "an existing file", "check the spelling and the folder"),
        IsADirectoryError: ("is a folder, not a picture", "a picture file", "give the pictures in it, or rename it"),
        PermissionError: ("may not be read (permission denied)", "a file you may read", "change its permissions"),
    }
    if isinstance(error, FileNotFoundError) and set("*?[") & set(path.name):  # a shell hands on what fits nothing
        attempt = "look at the ending of the files (.tif or .tiff, .jpg or .JPG), or name the folder alone"
        return unreadable(path, "fits no file", expected="a pattern that fits files", attempt=attempt)
    for kind, (found, expected, attempt) in ways.items():
        if isinstance(error, kind):
            return unreadable(path, found, expected=expected, attempt=attempt)
    return unreadable(
        path, f"could not be read ({reason})", expected="a readable file", attempt="copy it to a sound disk"
    )
