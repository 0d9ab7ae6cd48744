"""I turn the settings of a step into fields of a page, and what was typed there into values of a job file.

In: a step's name and its table. Out: fields with help, unit, choices and what stands; or which value would fit.
"""

from __future__ import annotations

import types
from collections.abc import Mapping
from dataclasses import MISSING, dataclass
from typing import Any, Union, get_args, get_origin

from stitchbed.core.errors import BadSettings
from stitchbed.core.settings import Place, misfit, places
from stitchbed.jobs.steps import STEPS, settings_class

SECOND = ("codec", "bits", "pictures", "rounds", "max_megapixels", "keep_job", "default_dpi", "table")  # rarely touched


@dataclass(frozen=True)
class Field:
    """kind : "switch", "choice", "number" or "text". usual : the default in words, "" for none. said : it stands in the
    job file. rare : shown when asked for.
    """

    step: str
    path: tuple[str, ...]
    label: str
    help: str
    unit: str
    kind: str
    value: Any
    usual: str
    choices: tuple[Any, ...]
    low: float | None
    high: float | None
    said: bool
    rare: bool

    @property
    def id(self) -> str:
        """Of the field in a page."""
        return "-".join(("set", *self.step.split("."), *self.path))


def fields_of(step: str, table: Mapping[str, Any]) -> list[Field]:
    """What a person may choose of a step, in the order of its settings; files and corners are not chosen here."""
    found = [_field(step, place, table) for place in places(settings_class(STEPS[step])) if _offered(place)]
    return sorted(found, key=lambda field: field.rare)


def value_of(step: str, path: list[str], typed: Any) -> Any:
    """What was typed as a value for the job file; None where the field was emptied.

    Raises
    ------
    BadSettings : no such setting, or a value that does not fit.
    """
    place = next((one for one in places(settings_class(STEPS[step])) if list(one.path) == path and _offered(one)), None)
    if place is None:
        raise BadSettings(f"{'.'.join(path)} of {step}", expected="a setting that is shown", attempt="the fields")
    if typed is None or typed == "":
        return None
    value = _read(place, typed)
    expected = misfit(tuple(value) if isinstance(value, list) else value, place.setting)
    if expected:
        raise BadSettings(f"{_label(place)} = {typed}", expected=expected, attempt="one of those, or an empty field")
    return value


def _field(step: str, place: Place, table: Mapping[str, Any]) -> Field:
    stands: Any = table
    for name in place.path:
        stands = stands.get(name, MISSING) if isinstance(stands, Mapping) else MISSING
    said, kind = stands is not MISSING, _kind(place)
    setting = place.setting
    value = stands if said else None if place.default is MISSING else place.default
    unit = "" if (kind == "text" and "," in setting.unit) or setting.unit.lower() == _label(place) else setting.unit
    return Field(
        step, place.path, _label(place), setting.help, unit, kind,
        value if kind in ("switch", "choice") else _words(stands if said else None), _words(place.default),
        setting.choices, setting.low, setting.high, said, place.path[-1] in SECOND,
    )  # fmt: skip


def _offered(place: Place) -> bool:
    bare = _bare(place.kind)
    said = place.setting
    one_line = said.job and said.table is None  # hints are said by pointing
    return bool(said.help) and one_line and bare in (bool, int, float, str, tuple)


def _kind(place: Place) -> str:
    bare = _bare(place.kind)
    if bare is bool:
        return "switch"
    if place.setting.choices and bare is not tuple:
        return "choice"
    return (
        "number" if bare in (int, float) and float in (*_options(place.kind), float) and not _mixed(place) else "text"
    )


def _read(place: Place, typed: Any) -> Any:
    bare = _bare(place.kind)
    if bare is bool:
        if isinstance(typed, bool):
            return typed
        raise _wrong(place, typed, "yes or no")
    if place.setting.choices and bare is not tuple:
        return next((one for one in place.setting.choices if one == typed or str(one) == str(typed)), typed)
    if bare is tuple:
        return _list(place, str(typed))
    if bare is str:
        return _number(str(typed)) if _mixed(place) and _number(str(typed)) is not None else str(typed)
    number = _number(str(typed))
    if number is None or (bare is int and number != int(number)):
        raise _wrong(place, typed, "a whole number" if bare is int else "a number")
    return int(number) if bare is int else number


def _list(place: Place, typed: str) -> list[Any]:
    """A row of words or numbers; several rows, as of places, with a semicolon between them."""
    inner = next(one for one in _options(place.kind) if get_origin(one) is tuple)
    item = get_args(inner)[0]
    if get_origin(item) is tuple:
        return [_numbers(place, one) for one in typed.split(";") if one.strip()]
    if item is str:
        return [one.strip() for one in typed.split(",") if one.strip()]
    return _numbers(place, typed)


def _numbers(place: Place, typed: str) -> list[float]:
    found = [_number(one) for one in typed.replace("x", ",").split(",")]
    if any(one is None for one in found):
        raise _wrong(place, typed, "numbers with commas between them")
    return [one for one in found if one is not None]


def _number(typed: str) -> float | None:
    try:
        return float(typed)
    except ValueError:
        return None


def _wrong(place: Place, typed: object, expected: str) -> BadSettings:
    return BadSettings(f"{_label(place)} = {typed}", expected=expected, attempt="that, or an empty field")


def _label(place: Place) -> str:
    words = place.path if place.path[0] not in ("survey", "asked") else place.path[1:]
    return " ".join(words).replace("_", " ")


def _mixed(place: Place) -> bool:
    """A word or a number."""
    return {str, float} <= set(_options(place.kind))


def _options(hint: Any) -> tuple[Any, ...]:
    return get_args(hint) if get_origin(hint) in (Union, types.UnionType) else (hint,)


def _bare(hint: Any) -> Any:
    first = next(one for one in _options(hint) if one is not type(None))
    return get_origin(first) or first


def _words(value: Any) -> str:
    if value is MISSING or value is None or value == ():
        return ""
    if isinstance(value, tuple | list):
        between = "; " if any(isinstance(one, tuple | list) for one in value) else ", "
        return between.join(map(_words, value))
    return f"{value:g}" if isinstance(value, float) else str(value)
