"""I change the text of a job file and leave all that is not meant as it stands: comments, order, tables I do not know.

In: TOML text, names of tables and keys, a value. Out: the changed text.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, Table

from stitchbed.core.errors import BadSettings

Keys = Sequence[str]


def parsed(text: str) -> tomlkit.TOMLDocument:
    """The text as a document that remembers how it was written.

    Raises
    ------
    BadSettings : it is no TOML.
    """
    try:
        return tomlkit.parse(text)
    except (TOMLKitError, RecursionError) as error:
        raise _no_toml(error) from error


def value_at(text: str, keys: Keys, default: Any = None) -> Any:
    """What stands under the keys, as plain values; `default` when nothing does.

    A page asks some twenty times: the reader that remembers nothing of how it was written takes a tenth of the time.
    """
    try:
        found: Any = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise _no_toml(error) from error
    for key in keys:
        if not isinstance(found, Mapping) or key not in found:
            return default
        found = found[key]
    return found


def sources_key(text: str) -> str:
    """What the job's pictures are called in its file: pieces of one sheet, or single pages."""
    return "pages" if value_at(text, ("pages",)) is not None else "pieces"


def with_value(text: str, keys: Keys, value: Any) -> str:
    """The text with the value under the keys: in its place where there is one, else with dots in its step's table."""
    text = with_table(text, table_of(keys))
    document = parsed(text)
    holder: Any = document
    rest = list(keys)
    while len(rest) > 1 and rest[0] in holder:
        holder = holder[rest.pop(0)]
        if not isinstance(holder, Mapping):
            raise _no_table(keys[: len(keys) - len(rest)])
    value = _rows(value) if isinstance(value, list) and value and isinstance(value[0], Mapping) else value
    if len(rest) == 1 and isinstance(holder.get(rest[0]), AoT):
        del holder[rest[0]]  # written as tables of their own; here they become lines of one list
        holder.append(rest[0], value)
    elif len(rest) == 1:
        holder[rest[0]] = value
    else:
        holder.append(tomlkit.key(rest), value)
    return tomlkit.dumps(document)


def without(text: str, keys: Keys) -> str:
    """The text without what stands under the keys; the table of the step stays."""
    if value_at(text, keys) is None:
        return text
    document = parsed(text)
    holder: Any = document
    for key in keys[:-1]:
        holder = holder[key]
    del holder[keys[-1]]
    return tomlkit.dumps(document)


def table_of(keys: Keys) -> tuple[str, ...]:
    """The table a value stands in: of a step, of a copy ([export.web]), or none."""
    return tuple(keys[: 2 if keys[0] == "export" else 1]) if len(keys) > 1 else ()


def with_table(text: str, keys: Keys) -> str:
    """The text with an empty table of that name at its end, where there is none."""
    if not keys or value_at(text, keys) is not None:
        return text
    document = parsed(text)
    _room_before(document)
    if len(keys) == 1:
        document[keys[0]] = tomlkit.table()
    else:
        outer = document.get(keys[0])
        if outer is None:
            document[keys[0]] = outer = tomlkit.table(is_super_table=True)
        outer[keys[1]] = tomlkit.table()
    return tomlkit.dumps(document)


def _rows(entries: Sequence[Mapping[str, Any]]) -> Array:
    """A list with a line for each entry."""
    rows = tomlkit.array().multiline(True)
    for entry in entries:
        table = tomlkit.inline_table()
        table.update(entry)
        rows.append(table)
    return rows


def _room_before(document: tomlkit.TOMLDocument) -> None:
    """An empty line between what stands there and a table that is added, as people write it."""
    written = tomlkit.dumps(document)
    last = next(reversed(list(document.values())), None)
    if not written or written.endswith("\n\n"):
        return
    if isinstance(last, Table):
        last.add(tomlkit.nl())
    else:
        document.add(tomlkit.nl())


def _no_toml(error: Exception) -> BadSettings:
    return BadSettings(
        f"a job file that is no TOML ({error})",
        expected="a job file as it was before the last change by hand",
        attempt="a look at that place, or undo",
    )


def _no_table(keys: Keys) -> BadSettings:
    name = ".".join(keys)
    return BadSettings(f"{name}, which is no table", expected=f"a table [{name}]", attempt=f"leaving {name} out")
