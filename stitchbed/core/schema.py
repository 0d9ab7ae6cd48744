"""I write the JSON schema of a typed record, so that programs can rely on what stands in it.

In: a TypedDict. Out: its schema as plain JSON types. Reference: JSON Schema, draft 2020-12.
"""

from __future__ import annotations

import types
from typing import Any, Literal, NotRequired, Union, get_args, get_origin, get_type_hints, is_typeddict

PLAIN: dict[Any, dict[str, Any]] = {
    str: {"type": "string"},
    int: {"type": "integer"},
    float: {"type": "number"},
    bool: {"type": "boolean"},
    type(None): {"type": "null"},
    Any: {},
}


def schema_of(kind: Any) -> dict[str, Any]:
    """JSON schema of a type: TypedDicts (no other keys allowed), lists, dicts, unions, literals and plain values.

    Raises
    ------
    TypeError : a type that has no JSON form.
    """
    if is_typeddict(kind):
        return _object(kind)
    origin, inner = get_origin(kind), get_args(kind)
    if origin is list:
        return {"type": "array", "items": schema_of(inner[0])}
    if origin is dict:
        return {"type": "object", "additionalProperties": schema_of(inner[1])}
    if origin in (Union, types.UnionType):
        return {"anyOf": [schema_of(one) for one in inner]}
    if origin is Literal:
        return {"enum": list(inner)}
    if origin is NotRequired:
        return schema_of(inner[0])
    if kind in PLAIN:
        return dict(PLAIN[kind])
    raise TypeError(f"{kind} has no JSON form")


def _object(kind: Any) -> dict[str, Any]:
    hints = get_type_hints(kind, include_extras=True)
    always = kind.__required_keys__ if kind.__total__ else frozenset()
    return {
        "type": "object",
        "properties": {name: schema_of(hint) for name, hint in hints.items()},
        # written as texts (PEP 563), hints do not tell the class which keys may be missing: they are asked themselves
        "required": sorted(
            name for name, hint in hints.items() if name in always and get_origin(hint) is not NotRequired
        ),
        "additionalProperties": False,
    }
