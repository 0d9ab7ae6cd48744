"""I put frozen values of arrays and numbers into one table of arrays, and take them out again.

In: a dataclass with fields of arrays, numbers, texts, and dataclasses or tuples of such. Out: arrays by dotted names,
which np.savez keeps and np.load reads without running anything; the value again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray

Arrays = dict[str, NDArray[Any]]


def flat(value: Any, name: str) -> Arrays:
    """A value as arrays, their names beginning with `name`."""
    if is_dataclass(value) and not isinstance(value, type):
        parts = [flat(getattr(value, one.name), f"{name}.{one.name}") for one in fields(value)]
    elif isinstance(value, tuple):
        parts = [{f"{name}.count": np.array(len(value))}]
        parts += [flat(item, f"{name}.{k}") for k, item in enumerate(value)]
    else:
        return {name: np.asarray(value)}
    return {key: array for part in parts for key, array in part.items()}


def grown(kind: Any, arrays: Mapping[str, NDArray[Any]], name: str) -> Any:
    """The value of a type that `flat` made into arrays.

    Raises
    ------
    KeyError, TypeError, ValueError : they are not of that type.
    """
    if is_dataclass(kind) and isinstance(kind, type):
        hints = get_type_hints(kind)
        return kind(**{one.name: grown(hints[one.name], arrays, f"{name}.{one.name}") for one in fields(kind)})
    if get_origin(kind) is tuple:
        items, count = get_args(kind), int(arrays[f"{name}.count"])
        each = [items[0]] * count if items[1:] == (Ellipsis,) else list(items)
        return tuple(grown(item, arrays, f"{name}.{k}") for item, k in zip(each, range(count), strict=True))
    array = arrays[name]
    return array if get_origin(kind) is np.ndarray else kind(array.item())
