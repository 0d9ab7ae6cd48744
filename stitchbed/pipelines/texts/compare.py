"""I put a comparison of resolutions into words.

In: its record. Out: plain text.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any


def summary(record: Mapping[str, Any], output: Path | None = None) -> str:
    """The whole comparison, the advice first, then what each step loses and saves."""
    rule = record["criterion"]
    lines = [*_advice(record), "", "  dpi     loses more than noise   worst places lose   size    time"]
    lines += [_line(scan) for scan in record["scans"]]
    lines += [
        "",
        f"A square of {rule['place_mm']:g} mm loses when what a step cannot show of it is stronger than the noise of "
        f"the scan ({rule['noise']:.1f} of 255 levels). A step that costs more than {100 * rule['share']:g} % of the "
        "sheet is not advised.",
        "Worst places: the hundredth of the sheet that loses most, in levels of 255. Size and time are over those of "
        "the lowest; time grows between dpi and its square.",
    ]
    return "\n".join([*lines, *(f"note: {line}" for line in record["warnings"])])


def _advice(record: Mapping[str, Any]) -> list[str]:
    advised = record["advised_dpi"]
    by_dpi = {scan["dpi"]: scan for scan in record["scans"]}
    below = [scan for dpi, scan in by_dpi.items() if dpi < advised and scan["loses_share"] is not None]
    if record["detail_goes_on"]:
        lines = [f"{advised:.0f} dpi, or more: the drawing goes on beyond it; a higher resolution may show still more."]
    else:
        lines = [f"{advised:.0f} dpi is enough."]
    if by_dpi[advised]["loses_share"] is not None:
        lines.append(f"At {advised:.0f} dpi {_loss(by_dpi[advised])}; {_saved(record)}.")
    if below:
        lines.append(f"At {below[-1]['dpi']:.0f} dpi {_loss(below[-1])}.")
    for scan in record["scans"]:
        if scan["interpolated"]:
            lines.append(
                f"{scan['name']} is interpolated, about {scan['interpolated']:g} times: it holds no more than a scan "
                f"at {scan['dpi'] / scan['interpolated']:.0f} dpi."
            )
    return lines


def _loss(scan: Mapping[str, Any]) -> str:
    said = f"{_percent(scan['loses_share'])} of the sheet loses more than its noise"
    return said + (
        f" (beside the paper's own grain, {scan['grain_lost']:.1f} levels)" if scan["grain_lost"] > 1 else ""
    )


def _saved(record: Mapping[str, Any]) -> str:
    best = next(scan for scan in record["scans"] if scan["name"] == record["best"])
    return f"{best['dpi']:.0f} dpi is {(best['dpi'] / record['advised_dpi']) ** 2:.1f} times the size"


def _line(scan: Mapping[str, Any]) -> str:
    least, most = scan["time"]
    if scan["interpolated"]:
        lost, worst = "made up", ""
    elif scan["loses_share"] is None:
        lost, worst = "the measure", ""
    else:
        lost, worst = f"{_percent(scan['loses_share'])} of the sheet", f"{scan['loses_levels']:.1f} levels"
    return f"  {scan['dpi']:<7.0f} {lost:<23} {worst:<19} {scan['size']:<7g} {least:.1f} to {most:.1f}"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.1 else f"{100 * share:.2g} %" if share >= 0.0005 else "nothing"
