"""I list the steps of a job: what each takes, what it makes, whose settings it has, and which story does it.

In: a `Call`. Out: the story's record. Stories are loaded when they are needed: a job with nothing to do is quick.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from stitchbed.core.errors import BadSettings
from stitchbed.jobs.call import FLATS, LINES, PAGE, PIECES, Call
from stitchbed.jobs.job_file import files_of

ALL = (PAGE, LINES, FLATS)


@dataclass(frozen=True)
class Step:
    """number : its record begins with it; room is left between for steps to come. takes : sources it works on.

    gives : the source its output is for the steps after it, or "". settings : loads the class of its settings.
    ending : of its output; "" when it names its files itself, beginning with the output's name.
    """

    number: int
    settings: Callable[[], type[Any]]
    do: Callable[[Call], Mapping[str, Any]]
    takes: tuple[str, ...] = (PAGE,)
    gives: str = PAGE
    ending: str = ".tif"


def _join_settings() -> type[Any]:
    from stitchbed.pipelines.join import JoinSettings

    return JoinSettings


def _join(call: Call) -> Mapping[str, Any]:
    from stitchbed.pipelines.join import join

    return join(call.sources[PIECES], call.output, call.settings, progress=call.progress)


def _rectify_settings() -> type[Any]:
    from stitchbed.pipelines.rectify import RectifySettings

    return RectifySettings


def _rectify(call: Call) -> Mapping[str, Any]:
    from stitchbed.pipelines.rectify import rectify

    _check_goes_round(call.settings.asked.corners)
    return rectify(call.sources[PAGE], call.output, call.settings, progress=call.progress)[0]


def _color_settings() -> type[Any]:
    from stitchbed.pipelines.color import ColorSettings

    return ColorSettings


def _color(call: Call) -> Mapping[str, Any]:
    from stitchbed.pipelines.color import color

    return color(_only(call, "color"), call.output, call.settings, progress=call.progress)[0]


def _clean_settings() -> type[Any]:
    from stitchbed.pipelines.clean import CleanSettings

    return CleanSettings


def _clean(call: Call) -> Mapping[str, Any]:
    from stitchbed.pipelines.clean import clean

    return clean(_only(call, "clean"), call.output, call.settings)[0]


def _lines_settings() -> type[Any]:
    from stitchbed.pipelines.lines import LinesSettings

    return LinesSettings


def _lines(call: Call) -> Mapping[str, Any]:
    from stitchbed.pipelines.lines import lines

    return lines(_only(call, "lines"), call.output, call.settings)[0]


def _flats_settings() -> type[Any]:
    from stitchbed.pipelines.flats import FlatsSettings

    return FlatsSettings


def _flats(call: Call) -> Mapping[str, Any]:
    """Mean colors are the page's unless another picture is named."""
    from stitchbed.pipelines.flats import flats

    settings = call.settings
    if settings.colors == "mean" and settings.reference is None:
        settings = replace(settings, reference=_only(call, "flats"))
    return flats(_only(call, "flats", LINES if LINES in call.sources else PAGE), call.output, settings)[0]


def _layers_settings() -> type[Any]:
    from stitchbed.jobs.copies import LayersWishes

    return LayersWishes


def _layers(call: Call) -> Mapping[str, Any]:
    from stitchbed.jobs.copies import write_layers

    return write_layers(call, _only(call, "export.layers"))


def _print_settings() -> type[Any]:
    from stitchbed.jobs.copies import PrintWishes

    return PrintWishes


def _print(call: Call) -> Mapping[str, Any]:
    from stitchbed.jobs.copies import write_print

    return write_print(call, _only(call, "export.print"))


def _web_settings() -> type[Any]:
    from stitchbed.jobs.copies import WebWishes

    return WebWishes


def _web(call: Call) -> Mapping[str, Any]:
    from stitchbed.jobs.copies import write_web

    return write_web(call, _only(call, "export.web"))


def _bare_settings() -> type[Any]:
    from stitchbed.jobs.copies import BareWishes

    return BareWishes


def _bare(call: Call) -> Mapping[str, Any]:
    from stitchbed.jobs.copies import write_bare

    return write_bare(call, _only(call, "export.nopaper"))


def _only(call: Call, step: str, source: str = PAGE) -> Path:
    """The one picture a step works on.

    Raises
    ------
    BadSettings : there are several, as no step before has made one of them.
    """
    files = files_of(call.sources[source])
    if len(files) != 1:
        raise BadSettings(
            f"{len(files)} pictures for [{step}]",
            expected="one picture",
            attempt="a table [join] before it, or one file in pieces",
        )
    return files[0]


def _check_goes_round(corners: Any) -> None:
    """Corners of a work are checked as those of the shell are."""
    from stitchbed.core.corners import corner_points

    if corners is not None:
        corner_points(tuple(f"{x:.3f},{y:.3f}" for x, y in corners))


# in the order of a job, whatever the order in the file
STEPS: dict[str, Step] = {
    "join": Step(10, _join_settings, _join, (PIECES,)),
    "rectify": Step(20, _rectify_settings, _rectify),
    "color": Step(30, _color_settings, _color),
    "clean": Step(40, _clean_settings, _clean),
    "lines": Step(50, _lines_settings, _lines, gives=LINES),
    "flats": Step(60, _flats_settings, _flats, (LINES, PAGE), FLATS),
    "export.layers": Step(70, _layers_settings, _layers, ALL, "", ""),
    "export.print": Step(71, _print_settings, _print, ALL, "", ""),
    "export.web": Step(72, _web_settings, _web, ALL, "", ""),
    "export.nopaper": Step(73, _bare_settings, _bare, ALL, "", ""),
}
