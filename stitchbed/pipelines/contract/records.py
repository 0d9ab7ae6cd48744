"""I name what stands in the record of each command; `core.schema` makes their JSON schemas.

In: nothing. Out: typed mappings. px are the canvas's or the piece's own, mm the sheet's; hashes are sha256.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal, NotRequired, TypedDict

from stitchbed.core.record import Record, beside
from stitchbed.pipelines.contract.parts import (
    AccuracyPart,
    AdvicePart,
    BedPart,
    ChangeRow,
    CostPart,
    CriterionPart,
    DpiRow,
    DustPart,
    GainRow,
    HintRow,
    LayoutPart,
    LiftRow,
    OtherLayout,
    OutsidePart,
    PieceRow,
    ResidualRow,
    RoughPlacement,
    ScanRow,
    SeamPart,
    SetPart,
    Verdict,
)


class StepRecord(TypedDict):
    """Of `card`, `rectify`, `color`, `clean`, `lines`, `flats` and `export`: one step with its own numbers."""

    command: str
    step: str
    settings: dict[str, Any]
    inputs: dict[str, str]
    outputs: dict[str, str]
    numbers: dict[str, Any]
    warnings: list[str]
    version: str
    started: str
    seconds: float
    proof: NotRequired[dict[str, Any]]
    dust: NotRequired[dict[str, Any]]
    job: NotRequired[dict[str, Any]]


class CanvasRow(TypedDict):
    """The file a join has written."""

    path: str
    height: int
    width: int
    dpi: float
    channels: int
    dtype: Literal["uint8", "uint16"]
    alpha: bool
    codec: str


class InputRow(TypedDict):
    """One piece as it was given; dpi is None where the file is silent."""

    name: str
    path: str
    sha256: str
    height: int
    width: int
    dpi: list[float] | None
    channels: int
    bits: int


class PlacementRow(TypedDict):
    """Where a piece lies. canvas_from_tile : 3x3, piece px to canvas px."""

    tile: str
    canvas_from_tile: list[list[float]]
    sigma_px: float
    rotation_deg: float
    scale: float
    warp_max_px: float


class LinkRow(TypedDict):
    """How two pieces agree."""

    a: str
    b: str
    points: int
    rms_px: float | None
    worst_px: float | None
    weak: bool
    dropped: bool
    reason: str | None


class StepRow(TypedDict):
    """A step of a job or a survey."""

    step: str
    seconds: float
    numbers: dict[str, Any]
    warnings: list[str]


class JoinRecord(TypedDict):
    """Of `join`: everything that can be said of a canvas."""

    command: Literal["join"]
    version: str
    versions: dict[str, str]
    canvas: CanvasRow
    inputs: list[InputRow]
    outputs: dict[str, str]
    reference: str
    placed: list[str]
    placements: list[PlacementRow]
    links: list[LinkRow]
    residuals: list[ResidualRow]
    gains: list[GainRow]
    bed: BedPart
    lift: list[LiftRow]
    dust: DustPart
    seams: SeamPart
    steps: list[StepRow]
    warnings: list[str]
    outside: OutsidePart
    accuracy: AccuracyPart
    changes: list[ChangeRow]
    hints: list[HintRow]
    layout_only: NotRequired[bool]
    islands: NotRequired[list[list[str]]]
    drawing_from_canvas: NotRequired[list[list[float]]]
    paper: list[float] | None
    alpha: bool
    channels: int
    pictures: dict[str, str]
    proof: NotRequired[dict[str, Any]]
    job: NotRequired[dict[str, Any]]


class CheckRecord(TypedDict):
    """Of `check`: what to scan again, and why."""

    command: Literal["check"]
    verdict: Verdict
    pieces: list[PieceRow]
    set: SetPart
    islands: list[list[str]]
    placements: list[RoughPlacement]
    warnings: list[str]
    seconds: float


class PlanRecord(TypedDict):
    """Of `plan`: captures, costs, cautions."""

    command: Literal["plan"]
    art_mm: list[float]
    bed_mm: list[float]
    closed_sides: list[str]
    advice: AdvicePart
    layout: LayoutPart
    costs: CostPart
    others: list[OtherLayout]
    dpi_table: list[DpiRow]
    cautions: list[str]
    handling: list[str]
    drawings: list[str]


class CompareRecord(TypedDict):
    """Of `compare`: the dpi that is enough, and what each lower one loses."""

    command: Literal["compare"]
    warnings: list[str]
    criterion: CriterionPart
    best: str
    advised_dpi: float
    detail_goes_on: bool
    interpolated: list[str]
    scans: list[ScanRow]
    crops: NotRequired[str]


RECORDS: dict[str, Any] = {
    "plan": PlanRecord,
    "check": CheckRecord,
    "join": JoinRecord,
    "card": StepRecord,
    "rectify": StepRecord,
    "color": StepRecord,
    "clean": StepRecord,
    "lines": StepRecord,
    "flats": StepRecord,
    "export": StepRecord,
    "compare": CompareRecord,
}


def told_of(record: Record, command: str, output: Path, settings: object) -> StepRecord:
    """The record of a command's one step, as it is written beside its output and returned."""
    told: StepRecord = beside(record, output.parent, full=bool(getattr(settings, "full_paths", False)))
    return {**told, "command": command}
