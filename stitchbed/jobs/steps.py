"""I list the steps of a job: what each takes, what it makes, whose settings it has, and which story does it.

In: a `Call`. Out: the story's record. Stories are loaded when they are needed: a job with nothing to do is quick.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from stitchbed.card.corners import corner_points
from stitchbed.core.errors import BadSettings
from stitchbed.jobs.call import FLATS, LINES, PAGE, PIECES, Call
from stitchbed.jobs.job_file import Table, files_of

ALL = (PAGE, LINES, FLATS)


@dataclass(frozen=True)
class Step:
    """word : what its result is called by, after the job's name. home : the module of the other names.

    settings : the class of its settings. pipeline : the function that does it; of a copy, one that takes the call.
    takes : sources it works on. gives : the source its output is for the steps after it, or "".
    ending : of its output; "" when it names its files itself, beginning with the output's name.
    many : it takes several pictures at once. ready : what is settled by the call before the pipeline gets it.
    unless : (its table, the medium of the page as a step before told it) -> why it is left out, "" where it is not.
    """

    word: str
    home: str
    settings: str
    pipeline: str
    takes: tuple[str, ...] = (PAGE,)
    gives: str = PAGE
    ending: str = ".tif"
    many: bool = False
    ready: Callable[[Call], Call] | None = None
    unless: Callable[[Table, str], str] | None = None


def settings_class(step: Step) -> type[Any]:
    """The class of a step's settings; its module is loaded now, so that a job with nothing to do is quick."""
    found: type[Any] = getattr(importlib.import_module(step.home), step.settings)
    return found


def do(name: str, step: Step, call: Call) -> Mapping[str, Any]:
    """Do the step of a name; returns its record.

    Raises
    ------
    StitchbedError : see its pipeline.
    """
    call = step.ready(call) if step.ready else call
    pipeline = getattr(importlib.import_module(step.home), step.pipeline)
    if not step.ending:
        copied: Mapping[str, Any] = pipeline(call, _only(call, name))
        return copied
    inputs = next(call.sources[name] for name in step.takes if name in call.sources)
    inputs = inputs if step.many else (_only(call, name, step.takes),)
    done: Mapping[str, Any] = pipeline(inputs, call.output, call.settings, progress=call.progress)
    return done


def _with_reference(call: Call) -> Call:
    """Mean colors are the page's unless another picture is named; of a folder, the page of that name in it."""
    settings = call.settings
    if settings.reference is not None and settings.reference.is_dir():
        page = settings.reference / call.output.name.replace("_flats.", "_page.")
        return replace(call, settings=replace(settings, reference=page))
    if settings.colors != "mean" or settings.reference is not None:
        return call
    return replace(call, settings=replace(settings, reference=_only(call, "flats")))


def _of_a_painting(table: Table, medium: str) -> str:
    """Areas of one color under lines say nothing of a painting: there the page itself is the color."""
    if medium != "paint" or table.get("painted"):
        return ""
    return (
        "no flats, as the page looks painted and shows its own colors; areas to select by are in its layered file "
        "(painted = true in [flats] fills flats all the same)"
    )


def _with_round_corners(call: Call) -> Call:
    """Corners of a work are checked as those of the shell are.

    Raises
    ------
    BadSettings : they do not go round.
    """
    corners = call.settings.asked.corners
    if corners is not None:
        corner_points(tuple(f"{x:.3f},{y:.3f}" for x, y in corners))
    return call


def _only(call: Call, step: str, takes: tuple[str, ...] = (PAGE,)) -> Path:
    """The one picture a step works on.

    Raises
    ------
    BadSettings : there are several, as no step before has made one of them.
    """
    files = files_of(next(call.sources[name] for name in takes if name in call.sources))
    if len(files) != 1:
        raise BadSettings(
            f"{len(files)} pictures for [{step}]",
            expected="one picture",
            attempt="a table [join] before it, or one file in pieces",
        )
    return files[0]


P = "stitchbed.pipelines."
COPIES = "stitchbed.jobs.copies"
# in the order of a job, whatever the order in the file
STEPS: dict[str, Step] = {
    "join": Step("canvas", P + "join", "JoinSettings", "join", (PIECES,), many=True),
    "rectify": Step("rectified", P + "rectify", "RectifySettings", "rectify", many=True, ready=_with_round_corners),
    "color": Step("colored", P + "color", "ColorSettings", "correct_color"),
    "clean": Step("page", P + "clean", "CleanSettings", "clean"),
    "lines": Step("lines", P + "lines", "LinesSettings", "lift_lines", gives=LINES),
    "flats": Step(
        "flats",
        P + "flats",
        "FlatsSettings",
        "fill_flats",
        (LINES, PAGE),
        FLATS,
        ready=_with_reference,
        unless=_of_a_painting,
    ),
    "export.layers": Step("layers", COPIES, "LayersWishes", "write_layers", ALL, "", ""),
    "export.print": Step("print", COPIES, "PrintWishes", "write_print", ALL, "", ""),
    "export.web": Step("web", COPIES, "WebWishes", "write_web", ALL, "", ""),
    "export.nopaper": Step("nopaper", COPIES, "BareWishes", "write_bare", ALL, "", ""),
}
