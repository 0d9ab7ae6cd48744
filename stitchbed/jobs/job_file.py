"""I read one job file: which pieces, where to, and a table of settings for each step.

In: a TOML file, or a folder of pieces. Out: a `JobFile`; its tables are not looked into here (see `job_settings`).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from stitchbed.core.addresses import file_of
from stitchbed.core.errors import BadSettings
from stitchbed.reading.base.folder import may_be_piece

Table = Mapping[str, Any]

JOB = "job.toml"
WORDS = ("name", "pieces", "leave_out", "out", "desk")  # desk: a table of what the desk shows; no step reads it
EXPORT = "export"  # the only table of tables: each of its tables is a step of its own


@dataclass(frozen=True)
class JobFile:
    """name : outputs are called by it. folder : paths in the file start here. pieces : files and folders; with
    something left out, the files that stay.

    out, records : folders for outputs and records. tables : step -> its settings as written, in the order of a job.
    plain : no job file; the output is `out/<name>.tif`, without the step's name.
    """

    path: Path
    name: str
    folder: Path
    pieces: tuple[Path, ...]
    out: Path
    records: Path
    tables: Mapping[str, Table]
    plain: bool = False


def job_of(path: Path, steps: Sequence[str], *, out: Path | None = None) -> JobFile:
    """The job of a TOML file, of the `job.toml` in a folder, or of a plain folder: join its pieces.

    steps : names of all steps, in order. out : instead of the folder the file names; for a plain folder, instead of
    the folder it lies in.

    Raises
    ------
    BadSettings : no such file, not TOML, a key or table nobody owns.
    """
    if path.is_dir() and not (path / JOB).is_file():
        folder = path.resolve()
        out = out or folder.parent
        return JobFile(path, folder.name, folder, (path,), out, out / ".records" / folder.name, {"join": {}}, True)
    return _read(path / JOB if path.is_dir() else path, steps, out)


def unknown_key(key: str, known: Sequence[str], where: str) -> BadSettings:
    """The error of a key nobody owns, with the nearest one that somebody does."""
    near = get_close_matches(key.lower(), known, n=1, cutoff=0.5)
    return BadSettings(
        f"{key!r} {where}, which nothing here understands",
        expected=f"one of {', '.join(known)}" if known else "no keys at all",
        attempt=f"{near[0]!r}, if that was meant" if near else "the spelling, or leave it out",
    )


def files_of(paths: Sequence[Path]) -> list[Path]:
    """The files named and, in folders, those that may be pieces; by name.

    Raises
    ------
    BadSettings : a path that does not exist.
    """
    found: dict[Path, None] = {}
    for path in paths:
        if not file_of(path).exists():
            raise BadSettings(
                f"{path} among the pieces, which does not exist",
                expected="files, or folders of pictures, beside the job file",
                attempt=f"the spelling; relative names start at the job file's folder, {path.parent}",
            )
        inside = sorted(one for one in path.iterdir() if may_be_piece(one)) if path.is_dir() else [path]
        found |= dict.fromkeys(inside)
    return list(found)


def files_in(table: Table, folder: Path) -> list[Path]:
    """Files a step's settings name (a mask, a file of measured colors), wherever in the table."""
    return [path for text in _texts(table) if text and file_of(path := folder / text).is_file()]


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for item in value.values():
            yield from _texts(item)
    elif isinstance(value, list):
        for item in value:
            yield from _texts(item)


def _read(path: Path, steps: Sequence[str], out: Path | None) -> JobFile:
    content = _parsed(path)
    folder = path.parent
    own = folder.resolve().name if path.name == JOB else path.stem
    pieces = content.get("pieces", ["."])
    if not isinstance(pieces, list) or not pieces or not all(isinstance(one, str) for one in pieces):
        raise _not_a("pieces", pieces, 'a list of files and folders, such as ["."]')
    name = _name(content.get("name", own))
    said = content.get("out", "out")
    if not isinstance(said, str):
        raise _not_a("out", said, 'the name of a folder, such as "out"')
    out = out or folder / said
    paths = _staying(tuple(folder / one for one in pieces), content.get("leave_out", []), folder)
    if any(one.is_dir() and one.resolve() == out.resolve() for one in paths):
        raise BadSettings(
            f"{out} as the folder of the pieces and of the results",
            expected="a folder of its own for results, so that they are not taken for pieces",
            attempt='out = "out"',
        )
    return JobFile(path, name, folder, paths, out, out / "records", _tables(content, steps, path))


def _staying(paths: tuple[Path, ...], left_out: object, folder: Path) -> tuple[Path, ...]:
    """The paths, or, where something is left out, the files in them without it.

    Raises
    ------
    BadSettings : no list of names; nothing stays.
    """
    if not isinstance(left_out, list) or not all(isinstance(one, str) for one in left_out):
        raise _not_a("leave_out", left_out, 'a list of files, such as ["pieces/blurred.tif"]')
    if not left_out:
        return paths
    gone = {(folder / one).absolute() for one in left_out}
    staying = tuple(one for one in files_of(paths) if one.absolute() not in gone)
    if not staying:
        raise BadSettings("every piece left out", expected="pieces to work on", attempt="fewer names in leave_out")
    return staying


def _parsed(path: Path) -> dict[str, Any]:
    if path.exists() and not path.is_file():
        raise BadSettings(f"{path}, a device or a pipe", expected="a TOML file, or a folder", attempt="another name")
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8"))
    except OSError as error:
        found = f"no job file {path}" if isinstance(error, FileNotFoundError) else f"{path} ({error.strerror})"
        raise BadSettings(found, expected="a TOML file, or a folder", attempt="the spelling of its name") from error
    except (ValueError, RecursionError) as error:  # of TOML and of UTF-8 alike; tables in tables in tables
        raise BadSettings(f"{path}: {error}", expected="a TOML file", attempt="a look at that place") from error


def _tables(content: Mapping[str, Any], steps: Sequence[str], path: Path) -> dict[str, Table]:
    """Step -> table, in the order of a job."""
    groups = list(dict.fromkeys(step.partition(".")[0] for step in steps))
    for key, value in content.items():
        if key in WORDS:
            continue
        if key not in groups:
            raise unknown_key(key, [*WORDS, *groups], f"in {path.name}")
        if not isinstance(value, dict):
            raise _not_a(key, value, f"a table: [{key}]")
    exports = {f"{EXPORT}.{kind}": table for kind, table in content.get(EXPORT, {}).items()}
    for step, table in exports.items():
        if step not in steps:
            known = [one.partition(".")[2] for one in steps if one.startswith(EXPORT + ".")]
            raise unknown_key(step.partition(".")[2], known, f"in [{EXPORT}] of {path.name}")
        if not isinstance(table, dict):
            raise _not_a(step, table, f"a table: [{step}]")
    given = {**content, **exports}
    wanted = {step: given[step] for step in steps if step in given}
    if not wanted:
        raise BadSettings(f"no step in {path}", expected=f"a table for each step: {', '.join(steps)}", attempt="[join]")
    return wanted


def _name(said: object) -> str:
    if not isinstance(said, str) or not said or said != Path(said).name or said.startswith(".") or "\0" in said:
        raise _not_a("name", said, "a word that files can be called by, without folders")
    return said


def _not_a(key: str, value: object, expected: str) -> BadSettings:
    return BadSettings(f"{key} = {value!r}", expected=expected, attempt=f"{key} written so, or left out")
