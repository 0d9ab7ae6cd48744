"""I turn one table of a job file into the settings of its step.

In: a frozen dataclass of settings, a table. Out: the settings; or which key or value is wrong, and what would be right.
"""

from __future__ import annotations

import types
from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass, replace
from pathlib import Path
from typing import Any, Literal, TypeVar, Union, get_args, get_origin

import numpy as np

from stitchbed.core.errors import BadSettings
from stitchbed.core.settings import SHELL_ONLY, Setting, default_of, hint_of, misfit
from stitchbed.jobs.job_file import Table, unknown_key

Settings = TypeVar("Settings")
WORDS = {
    int: "a whole number",
    float: "a number",
    str: "a text in quotes",
    bool: "true or false",
    Path: "a file's name",
}


@dataclass(frozen=True)
class Place:
    """step : whose table. folder : relative file names start here.

    inner : names of the tables within the step's table that lead here.
    """

    step: str
    folder: Path
    inner: tuple[str, ...] = ()

    @property
    def table(self) -> str:
        """The table as written in the file."""
        return f"[{'.'.join((self.step, *self.inner))}]"


class _Wrong(Exception):
    """A value does not fit; the text says what would."""


def settings_of(kind: type[Settings], table: Table, at: Place, given: Table) -> Settings:
    """Settings of class `kind`: its defaults, changed by the table.

    given : `memory` and `workers`, set where the class has them.

    Raises
    ------
    BadSettings : a key the class does not have, a value of the wrong type or out of limits, a missing one.
    """
    values = _values(kind, None, table, at)
    owned = _fields(kind)
    missing = [name for name, one in owned.items() if _needed(one) and name not in {**values, **given}]
    if missing:
        raise BadSettings(
            f"{at.table} without {missing[0]}",
            expected=f"{', '.join(missing)} to be said",
            attempt=f"{missing[0]} = ...",
        )
    return kind(**values, **{name: value for name, value in given.items() if name in owned})


def table_of(settings: Any, default: Any = None) -> dict[str, Any]:
    """The table a job file would hold for these settings: what differs from the defaults, file names in full."""
    default = type(settings)() if default is None else default
    table: dict[str, Any] = {}
    for one in fields(settings):
        value, usual = getattr(settings, one.name), getattr(default, one.name)
        if one.name in SHELL_ONLY or not one.init:
            continue
        if is_dataclass(value) and not isinstance(value, type):
            inner = table_of(value, usual)
            table |= {one.name: inner} if inner else {}
        elif value != usual:
            table[one.name] = _written(value)
    return table


def _written(value: Any) -> Any:
    if isinstance(value, Path):
        return str(value.absolute())
    return [_written(item) for item in value] if isinstance(value, tuple | list) else value


def _values(kind: Any, base: Any, table: Table, at: Place) -> dict[str, Any]:
    """Field -> value for every key of the table. base : the instance whose nested settings are changed, or None."""
    owned = {name: one for name, one in _fields(kind).items() if name not in SHELL_ONLY and hint_of(kind, name)[1].job}
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key not in owned:
            raise unknown_key(key, list(owned), f"in {at.table}")
        default = getattr(base, key) if base is not None else default_of(owned[key])
        if is_dataclass(default) and not isinstance(default, type) and isinstance(value, dict):
            inner = replace(at, inner=(*at.inner, key))
            values[key] = replace(default, **_values(type(default), default, value, inner))
            continue
        try:
            hint, setting = hint_of(kind, key)
            values[key] = _entries(setting.table, value) if setting.table else _as(hint, value, at.folder)
            _check_fits(values[key], setting)
        except _Wrong as wrong:
            raise BadSettings(
                f"{key} = {_shown(value)} in {at.table}", expected=str(wrong), attempt=f"{key} written so, or left out"
            ) from None
    return values


def _entries(read: Callable[[Any], Any], value: Any) -> tuple[Any, ...]:
    """A list of tables or texts, each as its setting makes it."""
    try:
        return tuple(read(entry) for entry in value) if isinstance(value, list) else (read(value),)
    except ValueError as error:
        raise _Wrong(str(error)) from None


def _check_fits(value: Any, setting: Setting) -> None:
    expected = misfit(value, setting)
    if expected:
        raise _Wrong(expected)


def _as(hint: Any, value: Any, folder: Path) -> Any:
    """`value` as the type says.

    Raises
    ------
    _Wrong : it is not of that type.
    """
    origin = get_origin(hint)
    if origin in (Union, types.UnionType):
        return _any_of([one for one in get_args(hint) if one is not type(None)], value, folder)
    if origin is Literal:
        if value in get_args(hint):
            return value
        raise _Wrong("one of " + ", ".join(map(repr, get_args(hint))))
    if origin is tuple:
        return _tuple(get_args(hint), value, folder)
    if origin is np.ndarray:
        return _array(value)
    if hint in WORDS:
        return _plain(hint, value, folder)
    raise _Wrong("a table of settings" if is_dataclass(hint) else "nothing: this is not set in a job file")


def _any_of(hints: Sequence[Any], value: Any, folder: Path) -> Any:
    """By the first type that takes it, so that `str | float` leaves numbers numbers."""
    expected = []
    for hint in hints:
        try:
            return _as(hint, value, folder)
        except _Wrong as wrong:
            expected.append(str(wrong))
    raise _Wrong(" or ".join(expected))


def _plain(hint: type, value: Any, folder: Path) -> Any:
    taken: tuple[type, ...] = {float: (int, float), Path: (str,)}.get(hint, (hint,))
    fits: bool = isinstance(value, taken) and (hint is bool or not isinstance(value, bool))
    fits = fits and not (hint is Path and "\0" in value)
    if not fits:
        raise _Wrong(WORDS[hint])
    return folder / value if hint is Path else hint(value)


def _tuple(hints: Sequence[Any], value: Any, folder: Path) -> tuple[Any, ...]:
    """A list as a tuple; optional items at its end may be left out, as TOML has no word for none."""
    if not isinstance(value, list):
        raise _Wrong("a list")
    if len(hints) == 2 and hints[1] is Ellipsis:
        return tuple(_as(hints[0], item, folder) for item in value)
    least = max((i + 1 for i, hint in enumerate(hints) if type(None) not in get_args(hint)), default=0)
    if not least <= len(value) <= len(hints):
        raise _Wrong(f"a list of {len(hints)}")
    items = [_as(hint, item, folder) for hint, item in zip(hints, value, strict=False)]
    return (*items, *[None] * (len(hints) - len(value)))


def _array(value: Any) -> Any:
    """(4, 2) points; corners are the only arrays among settings."""
    try:
        array = np.array(value, np.float64)
    except (TypeError, ValueError):
        array = np.array(np.nan)
    if array.shape != (4, 2) or not np.isfinite(array).all():
        raise _Wrong("a list of four points [x, y]")
    return array


def _needed(field: Field[Any]) -> bool:
    return field.default is MISSING and field.default_factory is MISSING


def _fields(kind: Any) -> dict[str, Field[Any]]:
    return {one.name: one for one in fields(kind) if one.init}


def _shown(value: object) -> str:
    return "a table" if isinstance(value, Mapping) else repr(value)
