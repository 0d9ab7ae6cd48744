"""I name the parts of records that lie deeper than their first keys, so that every key stands in a schema.

In: nothing. Out: typed mappings. px are the canvas's or the piece's own, mm the sheet's. Parts of which a layout or a
single piece knows nothing are empty: they are `total=False`.
"""

from __future__ import annotations

from typing import Any, Literal, TypedDict

Verdict = Literal["good", "usable", "redo"]


class FindingRow(TypedDict):
    """What is wrong with a piece or a set. numbers : what was measured, by keys of each fault's own."""

    fault: str
    level: Literal["note", "usable", "redo"]
    why: str
    change: str
    numbers: dict[str, Any]


class PieceNumbers(TypedDict):
    """Measured on one piece; None where nothing is drawn."""

    noise: float
    edge_ratio: float | None
    blur_px: float | None
    clipped_black: float
    clipped_white: float
    sharpness_across: list[list[float | None]]


class PieceRow(TypedDict):
    """A piece as `check` judges it."""

    name: str
    path: str
    verdict: Verdict
    findings: list[FindingRow]
    numbers: PieceNumbers


class SetPart(TypedDict):
    """What is wrong with all pieces together."""

    verdict: Verdict
    findings: list[FindingRow]


class RoughPlacement(TypedDict):
    """Where a piece lies by what `check` saw of it. sheet_from_tile : 3x3, a sheet for each island."""

    tile: str
    island: int
    sheet_from_tile: list[list[float]]
    width: int
    height: int
    dpi: float


class AdvicePart(TypedDict):
    """The dpi to scan with, and why."""

    dpi: float
    advised: float
    least: float
    why: str
    use: str
    cautions: list[str]


class CaptureRow(TypedDict):
    """One scan of a plan; see `planning.captures.Capture`."""

    number: int
    row: int
    col: int
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    turn_deg: int
    hangs_over: list[str]
    sheet_side_at: dict[str, str]
    reachable: bool


class LayoutPart(TypedDict):
    """The captures of a plan; see `planning.captures.CapturePlan`."""

    captures: list[CaptureRow]
    columns: int
    rows: int
    bed_turned: bool | None
    overlap_mm: list[float | None]
    unreachable: list[int]
    marks_mm: list[list[float]]


class DpiRow(TypedDict):
    """What one dpi costs."""

    dpi: float
    piece_px: list[int]
    piece_bytes: int
    master_px: list[int]
    master_bytes: int
    micrometers_per_px: float
    line_0_1_mm_px: float


class CostPart(DpiRow):
    """What the chosen dpi costs in all. seconds : (least, most), None without a timed capture."""

    channels: int
    bits: int
    pieces_bytes: int
    bigtiff: bool
    formats: dict[str, str]
    disk_bytes: int
    memory_bytes: int
    capture_seconds: list[float] | None
    session_seconds: list[float] | None


class OtherLayout(TypedDict):
    """Another way to lay the sheet, and what it takes."""

    overlap_mm: float
    bed_turned: bool
    captures: int
    unreachable: int


class CriterionPart(TypedDict):
    """When a dpi is enough: over `share` of places of this size lose no more than the noise, gray levels."""

    place_mm: float
    share: float
    noise: float


class ScanRow(TypedDict):
    """A scan of a comparison; what it loses is None for the best one. size, time (least,
    most) : over the lowest.
    """

    name: str
    dpi: float
    interpolated: float | None
    noise: float
    loses_share: float | None
    loses_levels: float | None
    grain_lost: float | None
    pixels: int
    bytes: int
    size: float
    time: list[float]


class ResidualRow(TypedDict):
    """What is left at a tie, canvas px."""

    x: float
    y: float
    dx: float
    dy: float
    a: str
    b: str


class GainRow(TypedDict):
    """How a piece was leveled, by channel."""

    tile: str
    gain: list[float]
    offset: list[float]
    curve: list[float]
    shading_range: list[float]


class BedRow(TypedDict, total=False):
    """A scanner's bed; see `mosaic.registration.scanner_bed`."""

    axis_ratio: float
    shear_rad: float
    travel_mm: list[float]
    offset_x_mm: list[float]
    offset_y_mm: list[float]
    observed: list[float]
    observed_names: list[str]


class BedPart(BedRow, total=False):
    """The bed most pieces share; `more`: the others."""

    more: list[BedRow]


class LiftRow(TypedDict):
    """The middle of a lifted cell, piece px. depth : share of light lost."""

    tile: str
    x: float
    y: float
    depth: float


SpotRow = TypedDict("SpotRow", {"x": float, "y": float, "radius_px": float, "from": str})


class ReplacedRow(TypedDict):
    """Where a grain was replaced, canvas px."""

    x: float
    y: float
    piece: str


class GrainRow(TypedDict):
    """A grain of dust that keeps its place on the bed, mm from its corner."""

    x_mm: float
    y_mm: float
    size_mm: float
    seen_on: list[str]
    replaced: list[ReplacedRow]
    may_show: list[ReplacedRow]


class DustPart(TypedDict, total=False):
    """Dust that another piece does not show."""

    replaced: int
    spots: list[SpotRow]
    grains: list[GrainRow]


class SeamPart(TypedDict, total=False):
    """Who is shown where, by cells; pieces : name of each number in the picture, nobody : the number of none."""

    path: str
    cell_px: int
    shape: list[int]
    pieces: list[str]
    nobody: int


class OutsidePart(TypedDict, total=False):
    """What no piece saw."""

    unseen_share: float
    widest_mm: float


class AccuracyPart(TypedDict, total=False):
    """How well neighbors agree, and estimates of the error that 95 % of the places keep: with the scanner's own axes
    (length against width, right angle), and without. placed_surely : false where pieces show different things on each
    other, or fit elsewhere as well, so that one may lie wrongly; the estimates hold only if none does."""

    rms_px: float | None
    p99_px: float | None
    error_px: float | None
    error_mm: float | None
    error_px_axes_known: float | None
    local_px: float | None
    travel_seen: float | None
    placed_surely: bool


class ChangeRow(TypedDict):
    """What one of two pieces shows and the other does not, canvas px."""

    x: float
    y: float
    width_mm: float
    height_mm: float
    a: str
    b: str
    shown: str
    mark: bool
    whole: bool
    rim: bool


class NeighborRow(TypedDict):
    """Agreement of a hinted piece with a neighbor, before and after; None: no overlap."""

    a: str
    b: str
    before: float | None
    after: float | None


class HintRow(TypedDict):
    """What became of a hint. moved_px : by piece, None: it had no place before."""

    kind: str
    text: str
    followed: bool
    against: bool
    words: str
    moved_px: dict[str, float | None]
    neighbors: list[NeighborRow]
