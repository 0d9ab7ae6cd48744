"""I put a comparison of resolutions into words.

In: its record. Out: plain text.
"""

from __future__ import annotations

from typing import Any


def text(record: dict[str, Any]) -> str:
    """The whole comparison, the advice first."""
    lines = [*_advice(record), ""]
    lines += ["  dpi    drawing ends at   grain ends at    real dpi  noise  specks/cm2  size   time"]
    for part, ratio in zip(record["scans"], record["ratios"], strict=True):
        limits = part["limits"]
        real = f"{part['effective_dpi']}" + (" made up" if part["interpolated"] else "")
        least, most = ratio["time"]
        lines.append(
            f"  {part['dpi']:<6.0f} {limits['detail']:5.1f} cycles/mm   {limits['grain']:5.1f} cycles/mm  {real:<9} "
            f"{part['noise']:<6.1f} {part['specks_per_cm2']:<11.0f} {ratio['size']:<6g} {least:.1f} to {most:.1f}"
        )
    lines += ["", "size and time are over those of the lowest; time grows between dpi and its square"]
    return "\n".join([*lines, *(f"note: {line}" for line in record["warnings"])])


def _advice(record: dict[str, Any]) -> list[str]:
    advised = record["advised_dpi"]
    if record["detail_goes_on"]:
        lines = [f"{advised:.0f} dpi: the drawing goes on beyond it; a higher resolution may show still more"]
    else:
        lines = [
            f"{advised:.0f} dpi loses nothing: the drawing ends at {record['detail_per_mm']:.1f} cycles/mm, "
            f"which takes {record['detail_dpi']} dpi"
        ]
    higher = [part for part in record["scans"] if part["dpi"] > advised and not part["interpolated"]]
    if higher:
        lines.append(f"Above {advised:.0f} dpi the scans add {_added(record, higher[-1], advised)}.")
    for part in record["scans"]:
        if part["interpolated"]:
            lines.append(
                f"{part['name']} is interpolated, about {part['interpolated']:g} times: it holds no more than "
                f"a scan at {part['dpi'] / part['interpolated']:.0f} dpi"
            )
    return lines


def _added(record: dict[str, Any], highest: dict[str, Any], advised: float) -> str:
    parts = []
    if record["grain_dpi"] > 1.1 * advised:
        parts.append(f"the paper's own grain (up to {record['grain_dpi']} dpi)")
    base = next(part for part in record["scans"] if part["dpi"] == advised)
    if highest["specks_per_cm2"] > 1.5 * base["specks_per_cm2"] + 1:
        parts.append(f"dust ({highest['specks_per_cm2']:.0f} specks/cm2 for {base['specks_per_cm2']:.0f})")
    parts.append("noise")
    ratio = (highest["dpi"] / advised) ** 2
    return f"{' and '.join(parts)}, at {ratio:.1f} times the size"
