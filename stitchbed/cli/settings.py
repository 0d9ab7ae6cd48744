"""I make a command's options from its settings, and its settings from the words given.

In: a frozen dataclass of settings. Out: click options with the help, unit, range and default that stand in its fields.
"""

from __future__ import annotations

import functools
import types
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass, replace
from pathlib import Path
from typing import Any, TypeVar, Union, get_args, get_origin

import click

from stitchbed.cli.options import Command, Shared, shared_options
from stitchbed.core.settings import SHELL_ONLY, Place, check, default_of, places

Settings = TypeVar("Settings")
MOST = 1e300  # of any number; more does not fit the arithmetic


def settings_options(kind: type[Any]) -> Callable[[Command], Any]:
    """Add an option for each setting the shell may say, then those every command has.

    The command receives `settings` (of class `kind`, memory and workers filled in) and `shared`.
    """
    said = [place for place in places(kind) if place.setting.shell]

    def decorate(function: Command) -> Any:
        @functools.wraps(function)
        def wrapped(*args: Any, shared: Shared, **words: Any) -> Any:
            values = {place.path: words.pop(_parameter(place)) for place in said}
            return function(*args, settings=settings_from(kind, values, shared), shared=shared, **words)

        command = shared_options(wrapped)
        for place in reversed(said):
            command = option_of(place)(command)
        return command

    return decorate


def settings_from(kind: type[Settings], words: Mapping[tuple[str, ...], Any], shared: Shared) -> Settings:
    """Settings with what was said; what was not said (None, or no item) stays as its dataclass has it."""
    table: dict[str, Any] = {}
    for path, value in words.items():
        if value is None or (isinstance(value, tuple) and not value):
            continue
        inner = table
        for name in path[:-1]:
            inner = inner.setdefault(name, {})
        inner[path[-1]] = value
    own = {one.name for one in fields(kind)}  # type: ignore[arg-type]
    given = {name: getattr(shared, name) for name in SHELL_ONLY if name in own and hasattr(shared, name)}
    settings = kind(**{**_changes(kind, table), **given})
    check(settings)
    return settings


def _changes(kind: Any, table: Mapping[str, Any]) -> dict[str, Any]:
    """Field -> value for all that the table names; tables within it change nested settings."""
    values = {}
    for one in fields(kind):
        if one.name not in table:
            continue
        default, value = default_of(one), table[one.name]
        nested = is_dataclass(default) and not isinstance(default, type)
        values[one.name] = replace(default, **_changes(type(default), value)) if nested else value
    return values


def option_of(place: Place) -> Callable[[Any], Any]:
    """The click option of one setting."""
    said, kind = place.setting, _bare(place.kind)
    name = f"--{said.option or place.path[-1].replace('_', '-')}"
    if kind is bool:
        switch = f"{name}/--no-{name[2:]}" if place.default else name
        return click.option(switch, _parameter(place), is_flag=True, default=place.default, help=said.help,
                            show_default=bool(place.default))  # fmt: skip
    more: dict[str, Any] = {"multiple": True} if said.many else {}
    if said.words > 1:
        more |= {"nargs": said.words, "metavar": said.unit}
    return click.option(
        name, _parameter(place), type=_type_of(kind, place), required=place.default is MISSING,
        help=said.help + _told(place.default), **more,
    )  # fmt: skip


def _type_of(kind: Any, place: Place) -> Any:
    said = place.setting
    if said.words > 1:
        return Phrase(said.read, place)
    if said.read:
        return Word(said.read, said.unit)
    if said.choices:
        return Choice(said.choices)
    if kind in (int, float):
        return Number(kind, said.low, said.high, said.unit)
    return click.Path(path_type=Path) if kind is Path else click.STRING


def _bare(hint: Any) -> Any:
    """The first type of a union; unions here are of one type and None."""
    if get_origin(hint) in (Union, types.UnionType):
        return next(one for one in get_args(hint) if one is not type(None))
    return hint


def _parameter(place: Place) -> str:
    return "_".join(place.path)


def _told(default: Any) -> str:
    """A default in words, "" where there is none to show; click is not given it, so that it stands in one place."""
    if default is MISSING or default is None or default == ():
        return ""
    words = ",".join(map(str, default)) if isinstance(default, tuple) else f"{default}"
    return f"  [default: {words}]"


class Choice(click.Choice):  # type: ignore[type-arg]
    """One of a few words or numbers, handed on as what it stands for."""

    def __init__(self, choices: tuple[Any, ...]) -> None:
        super().__init__([str(one) for one in choices])
        self.values = {str(one): one for one in choices}

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The value of the word."""
        return self.values[str(super().convert(value, param, ctx))]


class Number(click.ParamType):  # type: ignore[type-arg]
    """A number with an end, within its range."""

    def __init__(self, kind: type[Any], low: float | None, high: float | None, unit: str) -> None:
        self.kind, self.low, self.high = kind, low, high
        self.name = unit or ("number" if kind is float else "count")

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """int or float."""
        try:
            number = self.kind(value)
        except ValueError:
            self.fail(f"{value!r} is not a {'whole ' if self.kind is int else ''}number", param, ctx)
        if not abs(number) <= MOST:
            self.fail(f"{value!r} is a number without an end", param, ctx)
        if (self.low is not None and number < self.low) or (self.high is not None and number > self.high):
            parts = [f"{at} {end:g}" for at, end in (("from", self.low), ("to", self.high)) if end is not None]
            self.fail(f"{value!r} is out of range; it goes {' '.join(parts)}", param, ctx)
        return number


class Word(click.ParamType):  # type: ignore[type-arg]
    """A word that `read` makes something of; a ValueError of it says in its text how to write the word."""

    def __init__(self, read: Callable[[Any], Any], unit: str) -> None:
        self.read = read
        self.name = unit or "text"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """What the word means."""
        try:
            return self.read(value)
        except ValueError as error:
            self.fail(str(error), param, ctx)


class Phrase(click.Tuple):
    """Several words that `read` makes one thing of."""

    def __init__(self, read: Callable[[Any], Any] | None, place: Place) -> None:
        super().__init__([str] * place.setting.words)
        self.read = read or tuple

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """What the words mean together."""
        return None if value is None else self.read(super().convert(value, param, ctx))
