"""I read and write hints: as words of one option, and as entries of the table [join.hints].

In: words, tables, or hints. Out: the others.

The words of an option are the values of the hint in their order, those that need not be said as name=value; a point is
"x,y" (px) or "x,ymm"; names with spaces stand in quotes: 'left.tif 1200,340 right.tif 88,351 within_mm=1'. An entry of
the table is a table of the same names, or the same words as a text.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, Field, fields
from typing import Any, Literal, get_args, get_origin

from stitchbed.core.settings import hint_of, misfit
from stitchbed.mosaic.hints.kinds import KINDS, Box, Hint, Point


def from_text(key: str, text: str) -> Hint:
    """The hint of the words of one option.

    Raises
    ------
    ValueError : how to write it.
    """
    kind = KINDS[key]
    try:
        words = shlex.split(text)
    except ValueError as error:
        raise ValueError(f"{text!r}: {error}; write it like {form_of(key)}") from None
    said = [word for word in words if not _is_named(kind, word)]
    named = dict(word.split("=", 1) for word in words if _is_named(kind, word))
    values: dict[str, Any] = {}
    for one in _positional(kind):
        if _takes_rest(kind, one.name):
            values[one.name], said = list(said), []
        elif said:
            values[one.name] = said.pop(0)
    missing = [one.name for one in _required(kind) if one.name not in values]
    if said or missing:
        found = f"{said[0]!r} is one word too many" if said else f"{missing[0]} is not said"
        raise ValueError(f"{text!r}: {found}; write it like {form_of(key)}")
    units = {word[-2:] for value in values.values() for word in _words(value) if word[-2:] in ("px", "mm")}
    if len(units) == 1 and "unit" in _names(kind):
        values["unit"] = next(iter(units))
    return _made(key, {**values, **named})


def from_table(key: str, entry: Mapping[str, Any] | str) -> Hint:
    """The hint of one entry of [join.hints].

    Raises
    ------
    ValueError : how to write it.
    """
    if isinstance(entry, str):
        return from_text(key, entry)
    if not isinstance(entry, Mapping):
        raise ValueError(f"{entry!r} is neither a table nor a text; write it like {form_of(key)}")
    kind = KINDS[key]
    for name in entry:
        if name not in _names(kind):
            raise ValueError(f"{name!r} in {key}, which is no part of it; {key} has {', '.join(_names(kind))}")
    missing = [one.name for one in _required(kind) if one.name not in entry]
    if missing:
        raise ValueError(f"{key} without {missing[0]}; it has {', '.join(_names(kind))}")
    return _made(key, dict(entry))


def to_table(hint: Hint) -> dict[str, Any]:
    """The entry of [join.hints], without what is as it would be unsaid."""
    told = {}
    for one in fields(hint):
        value = getattr(hint, one.name)
        if value != one.default and value is not None:
            told[one.name] = _plain(value)
    return told


def to_text(hint: Hint) -> str:
    """The words of its option."""
    words = []
    for one in fields(hint):
        value = getattr(hint, one.name)
        if one.name == "unit" or (one.default is not MISSING and value == one.default):
            continue
        unit = getattr(hint, "unit", "px")
        ending = unit if unit != "px" and one.name in ("a_at", "b_at", "box") else ""
        word = _written(hint_of(type(hint), one.name)[0], value, ending)
        words.append(word if one in _positional(type(hint)) else f"{one.name}={word}")
    return " ".join(words)


def key_of(hint: Hint) -> str:
    """Its key in [join.hints]."""
    return next(key for key, kind in KINDS.items() if kind is type(hint))


def line_of(hint: Hint) -> str:
    """A line to copy into the table [join.hints] of a job file."""
    return f"{key_of(hint)} = [{toml_of(to_table(hint))}]"


def form_of(key: str) -> str:
    """How the words of an option go."""
    kind = KINDS[key]
    shown = []
    for one in fields(kind):
        word = _shape(kind, one.name)
        if one in _positional(kind):
            shown.append(word)
        elif one.name != "unit":
            shown.append(f"[{one.name}={word}]")
    return " ".join(shown)


def reader(key: str) -> Callable[[str], Hint]:
    """`from_text` of one kind."""
    return lambda text: from_text(key, text)


def table_reader(key: str) -> Callable[[Any], Hint]:
    """`from_table` of one kind."""
    return lambda entry: from_table(key, entry)


def toml_of(value: Any) -> str:
    """A value as TOML writes it within a line."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {toml_of(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_of(item) for item in value) + "]"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return '"' + "".join(char if char.isprintable() else f"\\U{ord(char):08x}" for char in escaped) + '"'
    return f"{value:g}" if isinstance(value, float) and value == round(value, 3) else repr(value)


def _made(key: str, values: Mapping[str, Any]) -> Hint:
    """The hint, each value as its field wants it."""
    kind = KINDS[key]
    read = {}
    for name, value in values.items():
        hint, setting = hint_of(kind, name)
        try:
            read[name] = _read(hint, value)
        except (TypeError, ValueError):
            raise ValueError(f"{name} = {value!r} in {key}; write it like {form_of(key)}") from None
        expected = misfit(read[name], setting)
        if expected:
            raise ValueError(f"{name} = {value!r} in {key}: {expected} is expected")
    return kind(**read)


def _read(hint: Any, value: Any) -> Any:
    """A value of a word or of a table as the type says."""
    options = [one for one in get_args(hint) if one is not type(None)]
    if type(None) in get_args(hint):
        return None if value is None else _read(options[0], value)
    if hint in (Point, Box):
        items = value.removesuffix("mm").removesuffix("px").split(",") if isinstance(value, str) else list(value)
        if len(items) != len(get_args(hint)):
            raise ValueError
        return tuple(_number(item) for item in items)
    if get_origin(hint) is tuple:
        if isinstance(value, str):
            raise TypeError
        return tuple(_read(options[0], item) for item in value)
    if hint in (int, float):
        number = _number(value)
        if hint is int and number != int(number):
            raise ValueError
        return hint(number)
    if not isinstance(value, str) or (get_origin(hint) is Literal and value not in options):
        raise TypeError
    return value


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise TypeError
    return float(value.removesuffix("mm").removesuffix("px") if isinstance(value, str) else value)


def _written(hint: Any, value: Any, ending: str) -> str:
    if hint in (Point, Box, Point | None):
        return ",".join(f"{item:.10g}" for item in value) + ending
    if get_origin(hint) is tuple:
        return " ".join(_written(get_args(hint)[0], item, ending) for item in value)
    return shlex.quote(value) if isinstance(value, str) else f"{value:.10g}"


def _plain(value: Any) -> Any:
    return [_plain(item) for item in value] if isinstance(value, tuple) else value


def _words(value: Any) -> Sequence[str]:
    return [value] if isinstance(value, str) else list(value)


def _names(kind: type[Hint]) -> list[str]:
    return [one.name for one in fields(kind)]


def _required(kind: type[Hint]) -> list[Field[Any]]:
    return [one for one in fields(kind) if one.default is MISSING]


def _positional(kind: type[Hint]) -> list[Field[Any]]:
    """Those said without their names: what must be said, and lists."""
    return [one for one in fields(kind) if one.default is MISSING or _takes_rest(kind, one.name)]


def _takes_rest(kind: type[Hint], name: str) -> bool:
    return get_args(hint_of(kind, name)[0])[1:] == (Ellipsis,)


def _is_named(kind: type[Hint], word: str) -> bool:
    return word.partition("=")[0] in _names(kind) and "=" in word


def _shape(kind: type[Hint], name: str) -> str:
    """A word to stand for a value."""
    hint = hint_of(kind, name)[0]
    options = [one for one in get_args(hint) if one is not type(None)]
    if type(None) in get_args(hint):
        hint = options[0] if len(options) == 1 else hint
    if get_origin(hint) is Literal:
        return "|".join(options)
    if get_args(hint)[1:] == (Ellipsis,):
        return ("X,Y" if options[0] == Point else "PIECE") + "..."
    if hint == Point:
        return "X,Y"
    if hint == Box:
        return "LEFT,TOP,WIDTH,HEIGHT"
    return "PIECE" if hint is str else name.removesuffix("_mm").upper()
