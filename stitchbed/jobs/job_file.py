"""I read one job file: which pieces or pages, where to, and a table of settings for each step.

In: a TOML file, or a folder with one. Out: a `JobFile`; its tables are not looked into here (see `jobs.settings`).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from stitchbed.core.addresses import address_of, file_of
from stitchbed.core.errors import BadSettings, StitchbedError
from stitchbed.core.files import read_file
from stitchbed.core.record import RECORDS
from stitchbed.reading.base.folder import may_be_piece

Table = Mapping[str, Any]

JOB = "job.toml"
OUT = "out"  # the folder of results, where nothing else is said
# desk: a table of what the desk shows; no step reads it
WORDS = ("name", "pieces", "pages", "leave_out", "out", "desk")
EXPORT = "export"  # the only table of tables: each of its tables is a step of its own
RESULTS = ("canvas", "rectified", "colored", "page", "lines", "flats")  # NAME_page.tif: what a result is called by


@dataclass(frozen=True)
class JobFile:
    """name : outputs are called by it. folder : paths in the file start here. pieces : files and folders; with
    something left out, the files that stay.

    out, records : folders for outputs and records. tables : step -> its settings as written, in the order of a job.
    pages : each of the pieces is a page of its own, and a job of its own (see `page_jobs`).
    """

    path: Path
    name: str
    folder: Path
    pieces: tuple[Path, ...]
    out: Path
    records: Path
    tables: Mapping[str, Table]
    pages: bool = False


def job_of(path: Path, steps: Sequence[str], *, out: Path | None = None) -> JobFile:
    """The job of a TOML file, or of the `job.toml` in a folder.

    steps : names of all steps, in order. out : instead of the folder the file names.

    Raises
    ------
    BadSettings : no such file, not TOML, a key or table nobody owns.
    """
    path = path / JOB if path.is_dir() else path
    return job_of_text(_text_of(path), path, steps, out=out)


def page_jobs(job: JobFile) -> list[JobFile]:
    """A job for each page, called as its file is.

    Raises
    ------
    BadSettings : a page that does not exist, two of one name.
    """
    jobs: dict[str, JobFile] = {}
    for path in (picture for file in files_of(job.pieces) for picture in _pictures_in(file)):
        name = page_name(path)
        if name in jobs:
            raise BadSettings(
                f"two pages called {name}: {jobs[name].pieces[0]} and {path}",
                expected="a name of its own for each page, as its results go by it",
                attempt="another name for one of the files",
            )
        jobs[name] = replace(job, name=name, pieces=(path,), pages=False)
    return list(jobs.values())


def page_name(path: Path) -> str:
    """What the results of a picture are called by: its name, without the word that says which result it is itself."""
    at = address_of(path)
    stem, _, word = at.file.stem.rpartition("_")
    name = stem if stem and word in RESULTS else at.file.stem
    return name if at.number is None else f"{name}-{at.number}"


def _pictures_in(file: Path) -> list[Path]:
    """The pictures of a file; one that cannot be read is one picture, which then fails by itself."""
    from stitchbed.reading.formats import pictures_in

    with suppress(StitchbedError):
        return pictures_in(file)
    return [file]


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


def job_of_text(text: str, path: Path, steps: Sequence[str], *, out: Path | None = None) -> JobFile:
    """The job of the text of a job file that lies, or would lie, at `path`.

    Raises
    ------
    BadSettings : see `job_of`.
    """
    content = _parsed(text, path)
    folder = path.parent
    own = folder.resolve().name if path.name == JOB else path.stem
    word = "pages" if "pages" in content else "pieces"
    if "pages" in content and {"pieces", "join"} & content.keys():
        raise BadSettings(
            f"pages together with pieces or [join] in {path.name}",
            expected="pieces that are joined into one picture, or pages that are pictures of their own",
            attempt="leaving one of them out",
        )
    pieces = content.get(word, ["."])
    if not isinstance(pieces, list) or not pieces or not all(isinstance(one, str) for one in pieces):
        raise _not_a(word, pieces, 'a list of files and folders, such as ["."]')
    name = _name(content.get("name", own))
    said = content.get("out", OUT)
    if not isinstance(said, str):
        raise _not_a("out", said, 'the name of a folder, such as "out"')
    out = out or _inside(folder, said)
    paths = _staying(tuple(folder / one for one in pieces), content.get("leave_out", []), folder)
    if any(one.is_dir() and one.resolve() == out.resolve() for one in paths):
        raise BadSettings(
            f"{out} as the folder of the pieces and of the results",
            expected="a folder of its own for results, so that they are not taken for pieces",
            attempt='out = "out"',
        )
    tables = _tables(content, steps, path)
    return JobFile(path, name, folder, paths, out, out / RECORDS, tables, word == "pages")


def _inside(folder: Path, said: str) -> Path:
    """The folder for results that a job file names: a job file from elsewhere writes nothing outside of its own.

    Raises
    ------
    BadSettings : it lies outside, also through a link.
    """
    with suppress(OSError, RuntimeError, ValueError):
        if (folder / said).resolve().is_relative_to(folder.resolve()):
            return folder / said
    raise BadSettings(
        f"out = {said!r}, which lies outside of the job file's folder",
        expected="a folder inside it",
        attempt='out = "out"; or the folder said in the command, with -o, which holds instead of it',
    )


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


def _text_of(path: Path) -> str:
    if path.exists() and not path.is_file():
        raise BadSettings(f"{path}, a device or a pipe", expected="a TOML file, or a folder", attempt="another name")
    try:
        return read_file(path).decode("utf-8")
    except OSError as error:
        found = f"no job file {path}" if isinstance(error, FileNotFoundError) else f"{path} ({error.strerror})"
        raise BadSettings(found, expected="a TOML file, or a folder", attempt="the spelling of its name") from error
    except ValueError as error:
        raise _not_toml(path, error) from error


def _parsed(text: str, path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # the last of tables in tables in tables
        raise _not_toml(path, error) from error


def _not_toml(path: Path, error: Exception) -> BadSettings:
    return BadSettings(f"{path}: {error}", expected="a TOML file", attempt="a look at that place")


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
