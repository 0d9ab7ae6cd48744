"""I read records: values of the kind asked for whatever is there, and any command's record in the form a page reads.

In: the record of a join as it is, or that of one step (color, rectify, clean). Out: a mapping with the join's keys.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

DIFFERENCES = {
    "de00_before": "dE before",
    "de00_after": "dE after",
    "de00_held_out": "dE of patches left out of the fit",
}
SHARES = {"p95": "95 % below", "max": "largest"}
STARS = ("below one star", "one star", "two stars", "three stars", "four stars")


def number(value: object, fallback: float = 0.0) -> float:
    """`value` as a finite float, else `fallback`."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return fallback
    return float(value) if math.isfinite(value) else fallback


def rows(record: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    """The list of mappings under a key; anything else counts as none."""
    value = record.get(key)
    return [item for item in value if isinstance(item, Mapping)] if isinstance(value, Sequence) else []


def mapping(value: object) -> Mapping[str, Any]:
    """`value` if it is a mapping, else an empty one."""
    return value if isinstance(value, Mapping) else {}


def page_record(record: Mapping[str, Any], canvas: Path) -> dict[str, Any]:
    """The record with the keys of a join; a step's own numbers go where the page looks for them."""
    if "step" not in record:
        return dict(record)
    numbers = mapping(record.get("numbers"))
    inputs = mapping(record.get("inputs"))
    shown = {
        "command": record.get("step"),
        "version": record.get("version"),
        "canvas": {"path": canvas.name, "dpi": numbers.get("dpi")},
        "inputs": [{"name": name, "sha256": digest} for name, digest in {**inputs, **_pictures(record)}.items()],
        "warnings": record.get("warnings"),
        "steps": rows(numbers, "steps") or [{key: record.get(key) for key in ("step", "seconds", "warnings")}],
        "settings": record.get("settings"),
        "outputs": record.get("outputs"),
        "numbers": {key: value for key, value in numbers.items() if key not in ("table", "grade", "steps")},
        "numbers of steps": {str(row.get("step")): row.get("numbers") for row in rows(numbers, "steps")},
        "dust": record.get("dust"),
        "grades": _grades(mapping(numbers.get("grade"))),
        "color": _color(numbers),
    }
    return {key: value for key, value in shown.items() if value not in (None, {}, [])}


def _pictures(record: Mapping[str, Any]) -> dict[str, Any]:
    """What was written, without the pictures of steps: name -> hash."""
    return {name: digest for name, digest in mapping(record.get("outputs")).items() if "/" not in name}


def _color(numbers: Mapping[str, Any]) -> dict[str, Any]:
    """Patches of a fit: wanted, before, after."""
    table = mapping(numbers.get("table"))
    patches = [
        {
            "name": name,
            "lab": row.get("reference"),
            **{key: row.get(key) for key in ("before", "after", "de00_before", "de00_after")},
        }
        for name, row in table.items()
        if isinstance(row, Mapping)
    ]
    if not patches:
        return {}
    facts = {key: numbers.get(key) for key in ("kind", "reference") if isinstance(numbers.get(key), str)}
    for key, words in DIFFERENCES.items():
        for name, value in mapping(numbers.get(key)).items():
            facts[f"{words}, {SHARES.get(name, name)}"] = number(value)
    patches.sort(key=lambda patch: -number(patch["de00_after"]))
    return {**facts, "patches": patches}


def _grades(grade: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Figures with their stars, the worst first."""
    figures = sorted(rows(grade, "figures"), key=lambda item: number(item.get("stars")))
    return [
        {
            "quantity": item.get("words"),
            "value": item.get("value"),
            "unit": item.get("unit"),
            "grade": STARS[min(4, max(0, int(number(item.get("stars")))))],
            "source": grade.get("table"),
        }
        for item in figures
    ]
