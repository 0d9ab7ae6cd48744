"""I say in a job what a command advises: its option is a setting of the job file there.

In: a note or an advice of a step. Out: the same, `--outside paper` as `outside = "paper" in [join]`.
"""

from __future__ import annotations

import json
import re
import types
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Union, get_args, get_origin

from stitchbed.core.settings import Place, Setting, places
from stitchbed.jobs.steps import STEPS, settings_class

OPTION = re.compile(r"--(?P<no>no-)?(?P<name>[a-z][a-z-]*)(?: (?P<value>[\w.,+-]*\w))?")
PLAIN = (bool, int, float, str, Path)  # values of which the shell's word is the job file's, in quotes at most


def in_job(text: str, step: str) -> str:
    """A text of a step with the options it names written as they stand in a job file; others are left."""
    if step not in STEPS or "--" not in text:
        return text
    known = {_option(place): place for place in places(settings_class(STEPS[step])) if place.setting.job}
    return OPTION.sub(lambda found: _setting(found, known, step), text)


def _option(place: Place) -> str:
    return place.setting.option or place.path[-1].replace("_", "-")


def _setting(found: re.Match[str], known: dict[str, Place], step: str) -> str:
    """What stands in the job file for one option met in a text."""
    place, value = known.get(found["name"]), found["value"]
    kind = next(_plain_kinds(place.kind), None) if place else None
    if place is None:
        return found[0]
    key = ".".join(place.path)
    if kind is None:
        several = value.split(",") if value and set(value.split(",")) <= set(place.setting.choices) else []
        return f"{key} = {json.dumps(several)} in [{step}]" if several else found[0]
    if kind is bool:
        return f"{key} = {'false' if found['no'] else 'true'} in [{step}]" + (f" {value}" if value else "")
    if value is None or not _is_value(value, kind, place.setting):
        return found[0]
    return f"{key} = {value if _is_number(value) else chr(34) + value + chr(34)} in [{step}]"


def _plain_kinds(hint: Any) -> Iterator[type[Any]]:
    """The plain type of a setting, where it is one."""
    hints = get_args(hint) if get_origin(hint) in (Union, types.UnionType) else (hint,)
    return (one for one in hints if one in PLAIN)


def _is_value(word: str, kind: type[Any], setting: Setting) -> bool:
    """Whether a word after an option is its value, and not how the sentence goes on."""
    if setting.read:
        try:
            setting.read(word)
        except ValueError:
            return False
        return True
    if kind in (int, float):
        return _is_number(word)
    return word in map(str, setting.choices) if setting.choices else word.isupper() or "." in word


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True
