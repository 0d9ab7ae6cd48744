"""I turn a folder or list into tiles, hash them, and complain early.

In: paths from the user. Out: tiles in an order of their own, and warnings in words.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from stitchbed.core.addresses import file_of
from stitchbed.core.errors import MixedTiles, StitchbedError, UnreadableTile
from stitchbed.core.files import sha256_of_each
from stitchbed.reading.base.faults import shown, telling, unreadable
from stitchbed.reading.base.folder import may_be_piece
from stitchbed.reading.base.header import MAX_PIXELS, Header
from stitchbed.reading.base.tile import Tile
from stitchbed.reading.formats import FORMATS, HEAD, MEMORY, as_asked, format_of, pictures_in, read_header

HASHING_THREADS = 2  # hashing frees the interpreter's lock; more than two disks' worth gains nothing


@dataclass(frozen=True)
class _Taken:
    path: Path
    header: Header
    sha256: str


def gather(paths: Sequence[Path]) -> tuple[list[Path], list[str]]:
    """Files of the paths given: a file as it is, a folder's picture files in natural order; and warnings.

    In a folder, hidden files and notes (`folder.SIDE_FILES`) are passed over in silence; others that are no
    pictures are
    named in a warning.

    Raises
    ------
    UnreadableTile : a named file does not exist or is no picture, or a folder holds no picture.
    """
    files, warnings = _listed(paths)
    for path in paths:
        if path in files:
            format_of(path)
    return files, warnings


def take_in(
    paths: Sequence[Path],
    *,
    max_pixels: int = MAX_PIXELS,
    memory: int = MEMORY,
    allow_unreadable: bool = False,
    dpi: float | None = None,
) -> tuple[list[Tile], list[str]]:
    """Tiles of all pictures in the files, ordered by natural name, then content, whatever the order; and warnings.

    memory : bytes the whole job may take. allow_unreadable : name unreadable files in a warning and go on with the
    others. dpi : at which pages that are not one picture are drawn.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : a file cannot be taken; no file is left.
    """
    tiles, warnings, faults = take_what_can(paths, max_pixels=max_pixels, memory=memory, dpi=dpi)
    if faults and not allow_unreadable:
        raise faults[0]
    return tiles, [*(f"{fault.found}; it was left out" for fault in faults), *warnings]


def take_what_can(
    paths: Sequence[Path], *, max_pixels: int = MAX_PIXELS, memory: int = MEMORY, dpi: float | None = None
) -> tuple[list[Tile], list[str], list[StitchbedError]]:
    """As `take_in`: tiles and warnings, and why each file that could not be taken could not.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : no file is left.
    """
    files, warnings = _listed(paths)
    ask = partial(_taken, max_pixels=max_pixels, memory=memory, dpi=dpi)
    with ThreadPoolExecutor(HASHING_THREADS) as pool:
        taken = [one for many in pool.map(ask, files) for one in many]
    faults = [fault for fault in taken if isinstance(fault, StitchbedError)]
    if faults and len(faults) == len(taken):
        raise faults[0]
    good = [one for one in taken if not isinstance(one, StitchbedError)]
    warnings += [f"{shown(one.path)}: {note}" for one in good for note in one.header.notes]
    kept, doubles = _each_once(good)
    if not kept:
        raise UnreadableTile(
            "no picture to work on",
            expected="at least one readable picture",
            attempt="check the files and folders named",
        )
    names = unique_names([one.path for one in kept])
    tiles = [Tile(names[one.path], one.path, one.sha256, one.header.raster) for one in kept]
    return tiles, [*warnings, *doubles], faults


def same_profile(tiles: Sequence[Tile], assume: str | None = None) -> bytes | None:
    """The color profile all tiles share, or None when none has one.

    assume : "first" takes the first profile found for tiles without one or with another; "none" ignores all profiles.

    Raises
    ------
    MixedTiles : profiles differ and nothing is assumed.
    """
    profiles = [tile.raster.icc for tile in tiles]
    if assume == "none" or not tiles:
        return None
    if assume == "first":
        return next((icc for icc in profiles if icc is not None), None)
    common, _ = Counter(profiles).most_common(1)[0]
    odd = [tile.name for tile in tiles if tile.raster.icc != common]
    if odd:
        with_none = "some carry none" if None in profiles else "all carry one"
        raise MixedTiles(
            f"the pieces do not share one color profile ({with_none}); different from the rest: {', '.join(odd)}",
            expected="one and the same profile in all pieces",
            attempt="scan them with one setting, or say --assume-profile first (use the first profile found for all)"
            " or --assume-profile none",
        )
    return common


def gray_among_color(tiles: Sequence[Tile]) -> list[str]:
    """Words that name pieces without color in a set where others have it."""
    gray = [tile.name for tile in tiles if tile.raster.shape[2] == 1]
    if not gray or len(gray) == len(tiles):
        return []
    return [
        f"scanned in gray, while other pieces have color: {', '.join(gray)}. What only they show stays gray; scan them "
        "again in color"
    ]


def unchanged(tiles: Sequence[Tile]) -> list[str]:
    """Names of tiles whose file is not what it was at intake (changed, gone or unreadable); empty when all is well."""
    in_file: dict[Path, list[Tile]] = {}
    for tile in tiles:
        in_file.setdefault(file_of(tile.path), []).append(tile)
    with ThreadPoolExecutor(HASHING_THREADS) as pool:
        changed = {tile.name for some in pool.map(_changed, in_file.values()) for tile in some}
    return [tile.name for tile in tiles if tile.name in changed]


def natural(name: str) -> list[tuple[int, int, str]]:
    """Sort key by which "scan2" comes before "scan10"."""
    parts = re.split(r"(\d+)", name.casefold())
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts if part]


def unique_names(paths: Sequence[Path]) -> dict[Path, str]:
    """Name of each path: its file name, with as many folders in front as it takes to be unique."""
    names = {path: path.name for path in paths}
    for depth in range(2, 64):
        counts = Counter(names.values())
        clashing = [path for path, name in names.items() if counts[name] > 1]
        for path in clashing:
            names[path] = "/".join(path.parts[-depth:])
        if not clashing:
            break
    return {path: shown(Path(name)) for path, name in names.items()}


def _listed(paths: Sequence[Path]) -> tuple[list[Path], list[str]]:
    """Files and folders' pictures, each path once, and warnings; files are not looked into."""
    files: dict[Path, None] = {}
    warnings: list[str] = []
    for path in paths:
        with telling(path, "looking at it"):
            is_folder = path.is_dir()
        if not is_folder:
            files[path] = None
            continue
        found, passed = _in_folder(path)
        if not found:
            raise unreadable(path, "is a folder without a picture in it", attempt="another folder, or name the files")
        files |= dict.fromkeys(found)
        warnings += [f"{shown(other)} was passed over: it is no picture that is read here" for other in passed]
    return list(files), warnings


def _in_folder(folder: Path) -> tuple[list[Path], list[Path]]:
    """(pictures, other files) of a folder in natural order; hidden files, notes and folders are in neither."""
    with telling(folder, "listing it"):
        entries = sorted(folder.iterdir(), key=lambda path: (natural(path.name), path.name))
    files = [path for path in entries if may_be_piece(path)]
    pictures = [path for path in files if _looks_like_picture(path)]
    return pictures, [path for path in files if path not in pictures]


def _looks_like_picture(path: Path) -> bool:
    """By suffix (so that a damaged picture is noticed, not passed over) or by first bytes."""
    by_name = next((known for known in FORMATS.values() if path.suffix.lower() in known.suffixes), None)
    if by_name is not None:
        return by_name.may_hold is None or not path.is_file() or by_name.may_hold(path)
    if not path.is_file():  # a pipe would be waited for
        return False
    try:
        with path.open("rb") as file:
            head = file.read(HEAD)
    except OSError:
        return False
    return any(known.begins(head) for known in FORMATS.values())


def _taken(path: Path, max_pixels: int, memory: int, dpi: float | None) -> list[_Taken | StitchbedError]:
    """What is known of the pictures in a file, or why one cannot be taken."""
    try:
        pictures = [as_asked(one, dpi) for one in pictures_in(path)]
        headers = [_header_or_fault(one, max_pixels, memory) for one in pictures]
        with telling(path, "reading it"):
            hashes = sha256_of_each(pictures)
    except StitchbedError as error:
        return [error]
    return [
        header if isinstance(header, StitchbedError) else _Taken(one, header, digest)
        for one, header, digest in zip(pictures, headers, hashes, strict=True)
    ]


def _header_or_fault(path: Path, max_pixels: int, memory: int) -> Header | StitchbedError:
    try:
        return read_header(path, max_pixels=max_pixels, memory=memory)
    except StitchbedError as error:
        return error


def _changed(tiles: Sequence[Tile]) -> list[Tile]:
    """Those of one file's tiles that are not what they were."""
    try:
        hashes = sha256_of_each([tile.path for tile in tiles])
    except OSError:
        return list(tiles)
    return [tile for tile, digest in zip(tiles, hashes, strict=True) if digest != tile.sha256]


def _each_once(good: Sequence[_Taken]) -> tuple[list[_Taken], list[str]]:
    """The files in order, each content once; and a warning for each file that came twice."""
    first: dict[str, Path] = {}
    kept: list[_Taken] = []
    warnings: list[str] = []
    for one in sorted(good, key=lambda one: (natural(one.path.name), one.sha256, os.fsencode(one.path))):
        if first.get(one.sha256) == one.path:  # named in the list and found in its file
            continue
        if one.sha256 in first:
            warnings.append(f"{shown(one.path)} is the same as {shown(first[one.sha256])} and was left out")
            continue
        first[one.sha256] = one.path
        kept.append(one)
    return kept, warnings
