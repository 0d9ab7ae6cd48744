"""I know what a setting may be: its sentence of help, its unit and its range stand in the field of its dataclass.

In: frozen dataclasses with fields of `Annotated[type, Setting(...)]`. Out: each setting with its place, or which value
does not fit and what would. The shell's options, the checks of a job file and the tables of the guide are made from it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from functools import cache
from typing import Annotated, Any, get_args, get_origin, get_type_hints

from stitchbed.core.errors import BadSettings

SHELL_ONLY = ("memory", "workers", "replace", "records", "full_paths")  # none of them changes what a job makes


@dataclass(frozen=True)
class Setting:
    """What a person may say, and how.

    help : one sentence. unit : shown behind the option. low, high : both allowed; None has no end.
    choices : the words or numbers allowed. option : its name in the shell, where that is not the field's.
    shell : False for what only job files and Python set. read : makes the value of a word of the shell.
    many : the option may be given again, each time with one item of a tuple. words : how many words the option takes.
    table : makes an item of a tuple of an entry of a job file; a ValueError says how to write it.
    job : False for what only the shell and Python set.
    """

    help: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[Any, ...] = ()
    option: str = ""
    shell: bool = True
    read: Callable[[Any], Any] | None = None
    many: bool = False
    words: int = 1
    table: Callable[[Any], Any] | None = None
    job: bool = True


@dataclass(frozen=True)
class Place:
    """path : names from the outermost settings to the field. kind : its type. setting : what is said of it.

    default : MISSING where it must be said.
    """

    path: tuple[str, ...]
    kind: Any
    setting: Setting
    default: Any


CODEC = Setting("Compression of the file.", choices=("deflate", "zstd", "none"))
DPI = Setting("Dpi of the files, where they are wrong or silent.", unit="dpi", low=1, high=100_000)
PICTURES = Setting("Pictures that show what was done.")
BITS = Setting("Bits per channel.", choices=(8, 16))
GRADE = Setting("Also grade by this table.", option="grade", choices=("prints", "paintings", "oversize"))
PLAIN = Setting("", shell=False, low=0.0)  # of a number nothing is said of: sizes, shares and counts are not negative


def places(kind: Any) -> Iterator[Place]:
    """Every field of the settings, those of nested settings too, in the order they are written."""
    for one in fields(kind):
        default = default_of(one)
        if is_dataclass(default) and not isinstance(default, type):
            for inner in places(type(default)):
                value = default
                for name in inner.path:
                    value = getattr(value, name)
                yield Place((one.name, *inner.path), inner.kind, inner.setting, value)
        elif one.init and one.name not in SHELL_ONLY:
            yield Place((one.name,), *hint_of(kind, one.name), default)


def check(settings: Any, inside: str = "") -> None:
    """Look at every value of the settings, as any pipeline does before it begins.

    inside : names of the settings these are nested in, with dots.

    Raises
    ------
    BadSettings : a value out of its range or none of its choices; no number, or one without an end.
    """
    for one in fields(settings):
        value = getattr(settings, one.name)
        name = f"{inside}{one.name}"
        if is_dataclass(value) and not isinstance(value, type):
            check(value, f"{name}.")
            continue
        expected = misfit(value, hint_of(type(settings), one.name)[1])
        if expected:
            raise BadSettings(f"{name} = {value!r}", expected=expected, attempt=f"{name} written so, or left out")


def misfit(value: Any, setting: Setting) -> str:
    """What is expected instead of `value`, or "" where it fits; a tuple fits when each of its items does."""
    for one in value if isinstance(value, tuple) else (value,):
        if isinstance(one, float) and not math.isfinite(one):
            return "a number that has an end"
        if setting.choices and one is not None and one not in setting.choices:
            return "one of " + ", ".join(map(repr, setting.choices))
        if isinstance(one, int | float) and not isinstance(one, bool) and not _within(one, setting):
            return _range(setting)
    return ""


def default_of(one: Field[Any]) -> Any:
    """The field's default, MISSING where it has none."""
    return one.default_factory() if one.default_factory is not MISSING else one.default


def hint_of(kind: Any, name: str) -> tuple[Any, Setting]:
    """The type of a field, without what is said of it, and what is said."""
    hint = _hints(kind)[name]
    if get_origin(hint) is not Annotated:
        return hint, PLAIN
    bare, *said = get_args(hint)
    return bare, next((one for one in said if isinstance(one, Setting)), PLAIN)


@cache
def _hints(kind: Any) -> dict[str, Any]:
    return get_type_hints(kind, include_extras=True)


def _within(value: float, setting: Setting) -> bool:
    return (setting.low is None or value >= setting.low) and (setting.high is None or value <= setting.high)


def _range(setting: Setting) -> str:
    unit = f" {setting.unit}" if setting.unit else ""
    if setting.high is None:
        return f"a number from {setting.low:g}{unit} on"
    if setting.low is None:
        return f"a number up to {setting.high:g}{unit}"
    return f"a number from {setting.low:g} to {setting.high:g}{unit}"
