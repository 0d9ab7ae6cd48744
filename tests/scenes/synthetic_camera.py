"""I photograph a flat scene with a camera whose pose, lens, light and noise are known, so that tests can measure.

In: a scene raster in linear light with its millimeters, a camera. Out: a photo as 8-bit sRGB, through JPEG if wanted.

The scene is a raster of area-sampled pixels; the photo looks each of its pixels up in it, then the lens blurs, the
light falls unevenly, the sensor adds noise. Frames: `scene` mm (x right, y down, origin in the middle of the work),
`photo` px.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.card.board import Piece, corner_piece, full_piece
from stitchbed.card.sheet import _piece_shapes
from stitchbed.drawing.raster import pixels_of
from stitchbed.drawing.shapes import CardPage
from stitchbed.imaging.transfer import srgb_decode, srgb_encode
from stitchbed.photos.geometry.lens import Lens, distorted, undistorted
from stitchbed.photos.geometry.plane_pose import inverted, placed, through

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

NODE = 8  # px between exact places of the look-up


@dataclass(frozen=True)
class Camera:
    """width, height : px. view : 3x3 scene mm -> undistorted px. lens : radial terms about the half diagonal.

    blur : sigma px. noise : sigma of linear light at white (shot noise grows with the root of light, a third is read
    noise). slope : light at the far edge over light at the near one runs from 1 to 1/slope along `azimuth`.
    vignetting : share of light lost at the corner. exposure : factor. jpeg : quality or None.
    """

    width: int
    height: int
    view: Array
    lens: Lens
    blur: float = 0.6
    noise: float = 0.006
    slope: float = 1.0
    azimuth: float = 0.0
    vignetting: float = 0.0
    exposure: float = 1.0
    jpeg: int | None = 92


@dataclass(frozen=True)
class Scene:
    """light : (h, w, 3) linear. density : px/mm. origin : scene mm of the center of pixel (0, 0)."""

    light: Floats
    density: float
    origin: Array
    poses: dict[str, Array] = field(default_factory=dict)
    size: tuple[float, float] = (0.0, 0.0)


def aimed(rng: np.random.Generator, *, size: tuple[int, int], field_mm: tuple[float, float], tilt_deg: float) -> Camera:
    """A camera that fills its frame with a field of mm, tilted up to `tilt_deg`, of 28 to 70 mm on 36 x 24."""
    width, height = size
    radius = float(np.hypot(width, height)) / 2
    focal = radius * rng.uniform(28, 70) / 21.63  # half the diagonal of 36 x 24 mm
    azimuth, tilt, roll = rng.uniform(0, 2 * np.pi), np.deg2rad(rng.uniform(0, tilt_deg)), rng.uniform(-0.09, 0.09)
    axis = tilt * np.array([np.cos(azimuth), np.sin(azimuth), 0])
    turn = cv2.Rodrigues(axis)[0] @ cv2.Rodrigues(np.array([0, 0, roll]))[0]
    corners = np.array([[sx, sy, 0] for sx in (-1, 1) for sy in (-1, 1)]) / 2 * [*field_mm, 0]
    distance = 0.3 * max(field_mm)
    while not _inside(corners @ turn.T + [0, 0, distance], focal, size):
        distance *= 1.01
    k1, k2 = rng.uniform(-0.08, 0.02), rng.uniform(-0.01, 0.015)
    share = radius / focal
    lens = Lens((width - 1) / 2, (height - 1) / 2, radius, k1 * share**2, k2 * share**4)
    camera = np.array([[focal, 0, lens.center_x], [0, focal, lens.center_y], [0, 0, 1]])
    view = camera @ np.column_stack([turn[:, 0], turn[:, 1], [0, 0, distance]])
    return Camera(width, height, view, lens)


def photo_from_scene(camera: Camera, xy: Array) -> Array:
    """(N, 2) scene mm -> (N, 2) photo px."""
    return distorted(camera.lens, through(camera.view, xy))


def photograph(scene: Scene, camera: Camera, rng: np.random.Generator) -> NDArray[np.uint8]:
    """(h, w, 3) uint8 sRGB. Each pixel is the mean of 2 x 2 looks into the scene, so that edges do not jump."""
    photo = np.empty((camera.height, camera.width, 3), np.float32)
    for top in range(0, camera.height, 256):
        rows = slice(top, min(camera.height, top + 256))
        mm = scene_of_pixels(camera, rows)
        xy = ((mm - scene.origin) * scene.density).astype(np.float32)
        fine = cv2.remap(scene.light, xy, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        fine *= light_of_pixels(camera, rows, mm, scene.size)[..., None]
        photo[rows] = cv2.resize(fine, (camera.width, rows.stop - rows.start), interpolation=cv2.INTER_AREA)
    photo = cv2.GaussianBlur(photo, (0, 0), camera.blur) * np.float32(camera.exposure)
    photo += camera.noise * np.sqrt(np.maximum(photo, 0) + 0.11) * rng.standard_normal(photo.shape, np.float32)
    stored = np.rint(255 * srgb_encode(np.clip(photo, 0, 1))).astype(np.uint8)
    return stored if camera.jpeg is None else through_jpeg(stored, camera.jpeg)


def through_jpeg(stored: NDArray[np.uint8], quality: int) -> NDArray[np.uint8]:
    """As a camera's file would have it."""
    data = cv2.imencode(".jpg", stored[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


def scene_of_pixels(camera: Camera, rows: slice) -> Floats:
    """(2h, 2w, 2) scene mm that the quarters of the pixels of some rows look at.

    Exact at each 8th pixel and straight in between: less than .001 px off at the bendings used here.
    """
    count = (-(-(rows.stop - rows.start) // NODE) + 2, -(-camera.width // NODE) + 2)
    y, x = (NODE * (np.mgrid[: count[0], : count[1]] - 1.0) + NODE / 2 - 0.5).astype(np.float64)
    straight = undistorted(camera.lens, np.stack([x, y + rows.start], -1).reshape(-1, 2))
    nodes = through(inverted(camera.view), straight).reshape(*count, 2).astype(np.float32)
    fine = cv2.resize(nodes, (count[1] * 2 * NODE, count[0] * 2 * NODE), interpolation=cv2.INTER_LINEAR)
    return fine[2 * NODE :, 2 * NODE :][: 2 * (rows.stop - rows.start), : 2 * camera.width]


def light_of_pixels(camera: Camera, rows: slice, mm: Floats, size: tuple[float, float]) -> Floats:
    """(2h, 2w) light on the scene times what the lens lets through, 1 at best."""
    along = (mm[..., 0] * np.cos(camera.azimuth) + mm[..., 1] * np.sin(camera.azimuth)) / max(*size, 1.0)
    lamp = camera.slope ** -np.clip(along + 0.5, -0.5, 1.5)
    y = np.arange(2 * rows.start, 2 * rows.stop)[:, None] / 2 - 0.25
    x = np.arange(2 * camera.width)[None] / 2 - 0.25
    square = ((x - camera.lens.center_x) ** 2 + (y - camera.lens.center_y) ** 2) / camera.lens.radius**2
    return (lamp * (1 - camera.vignetting * square)).astype(np.float32)


def card_light(piece: Piece, density: float) -> Floats:
    """The printed piece, (h, w, 3) linear; paper reflects 0.85, ink 0.02."""
    page = CardPage(piece.width, piece.height, tuple(_piece_shapes(piece, 0, 0)))
    told = (0.02 + 0.83 * srgb_decode(np.arange(256) / 255.0)).astype(np.float32)
    return np.asarray(told[pixels_of(page, density * 25.4)])


def scene_with_cards(
    work: Floats,
    density: float,
    pieces: dict[Piece, Array],
    *,
    margin: float,
    table: tuple[float, float, float],
    printed: tuple[float, float] = (1.0, 1.0),
) -> Scene:
    """A work lying on a table with cards laid at poses (x mm, y mm, turn rad), all in one raster.

    work : (h, w, 3) linear at `density` px/mm. margin : mm of table shown round it.
    printed : true mm per nominal mm of the print, across and down.
    """
    pad = round(margin * density)
    light = np.pad(work, ((pad, pad), (pad, pad), (0, 0)))
    h, w = work.shape[:2]
    frame = np.ones(light.shape[:2], bool)
    frame[pad : pad + h, pad : pad + w] = False
    light[frame] = table
    size = (w / density, h / density)
    origin = np.array([-(w - 1) / 2 - pad, -(h - 1) / 2 - pad]) / density
    for piece, pose in pieces.items():
        _lay(light, piece, pose, (density, origin, printed))
    return Scene(light, density, origin, {piece.name: pose for piece, pose in pieces.items()}, size)


def _lay(light: Floats, piece: Piece, pose: Array, how: tuple[float, Array, tuple[float, float]]) -> None:
    """Paint a card over the scene, drawn twice as fine and averaged. how : px/mm, origin mm, print's stretch."""
    density, origin, printed = how
    fine = 2 * density
    card = card_light(piece, fine)
    rim = np.array([[0, 0], [piece.width, 0], [piece.width, piece.height], [0, piece.height]])
    corners = placed(pose, rim * printed)
    first = np.floor((corners.min(0) - origin) * density).astype(int) - 1
    last = np.ceil((corners.max(0) - origin) * density).astype(int) + 2
    c, s = np.cos(pose[2]), np.sin(pose[2])
    # fine pixel j of the region: mm origin + (first + (j + .5) / 2 - .5) / density; card pixel i: (i + .5) / fine
    scene_from_card = np.array([[c, -s, pose[0]], [s, c, pose[1]], [0, 0, 1]])
    region_from_scene = np.array([[fine, 0, -origin[0] * fine], [0, fine, -origin[1] * fine], [0, 0, 1]])
    shift = np.array([[1, 0, -2 * first[0] + 0.5], [0, 1, -2 * first[1] + 0.5], [0, 0, 1]])
    card_mm = np.diag([*printed, 1]) @ np.array([[1 / fine, 0, 0.5 / fine], [0, 1 / fine, 0.5 / fine], [0, 0, 1]])
    region_from_card = (shift @ region_from_scene @ scene_from_card @ card_mm)[:2]
    size = tuple(int(v) for v in 2 * (last - first))
    drawn = cv2.warpAffine(card, region_from_card, size, flags=cv2.INTER_LINEAR)
    cover = cv2.warpAffine(np.ones(card.shape[:2], np.float32), region_from_card, size, flags=cv2.INTER_LINEAR)
    small = (size[0] // 2, size[1] // 2)
    drawn = cv2.resize(drawn, small, interpolation=cv2.INTER_AREA)
    cover = cv2.resize(cover, small, interpolation=cv2.INTER_AREA)[..., None]
    part = light[first[1] : last[1], first[0] : last[0]]
    part[...] = part * (1 - cover) + drawn


def painted(size_mm: tuple[float, float], density: float, rng: np.random.Generator) -> tuple[Floats, Array]:
    """A work with washes, strokes, and dots at known places: light (h, w, 3), dot centers (N, 2) mm from its middle."""
    w, h = (round(side * density) for side in size_mm)
    small = rng.uniform(0.25, 0.8, (max(3, round(size_mm[1] / 40)), max(3, round(size_mm[0] / 40)), 3))
    light = np.clip(cv2.resize(small.astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC), 0.15, 0.85)
    for _ in range(30):
        points = (rng.uniform(0.1, 0.9, (4, 2)) * [w, h]).astype(np.int32)
        ink = tuple(float(v) for v in rng.uniform(0.03, 0.4, 3))
        cv2.polylines(light, [points], False, ink, max(1, round(0.6 * density)), cv2.LINE_AA)
    columns, rows = round(size_mm[0] / 50), round(size_mm[1] / 50)
    grid = np.stack(np.meshgrid((np.arange(columns) + 0.5) / columns, (np.arange(rows) + 0.5) / rows), -1).reshape(
        -1, 2
    )
    dots = (grid - 0.5) * (np.array(size_mm) - 24) / (1 - 1 / np.array([columns, rows]))
    for x, y in dots:
        _dot(light, np.array([x, y]) * density + [(w - 1) / 2, (h - 1) / 2], density)
    return light, dots


def _dot(light: Floats, center: Array, density: float) -> None:
    """A dark disk of 3 mm on a light one of 9 mm, edges by covered area."""
    reach = int(6 * density)
    column, row = (int(v) for v in np.rint(center))
    y, x = np.mgrid[row - reach : row + reach + 1, column - reach : column + reach + 1]
    away = np.hypot(x - center[0], y - center[1])
    part = light[row - reach : row + reach + 1, column - reach : column + reach + 1]
    for radius, value in ((4.5, 0.8), (1.5, 0.04)):
        cover = np.clip(radius * density - away + 0.5, 0, 1)[..., None].astype(np.float32)
        part[...] = part * (1 - cover) + value * cover


def laid_round(size: tuple[float, float], rng: np.random.Generator, *, gap: float = 6.0) -> dict[Piece, Array]:
    """Four corner cards beside the work's corners, each a little askew, some turned by a quarter or half turn."""
    poses = {}
    for number, (sx, sy) in enumerate(((-1, -1), (1, -1), (1, 1), (-1, 1)), start=1):
        piece = corner_piece(number)
        turn = float(rng.integers(0, 4)) * np.pi / 2 + rng.uniform(-0.08, 0.08)
        half = placed(np.array([0, 0, turn]), np.array([[piece.width, piece.height]]) / 2)[0]
        reach = (
            np.abs(placed(np.array([0, 0, turn]), np.array([[1, 0], [0, 1]]) * [[piece.width], [piece.height]])).sum(0)
            / 2
        )
        middle = np.array(
            [
                sx * (size[0] / 2 + gap + reach[0] + rng.uniform(0, 4)),
                sy * (size[1] / 2 - reach[1] + rng.uniform(0, 15)),
            ]
        )
        poses[piece] = np.array([*(middle - half), turn])
    return poses


def laid_beside(size: tuple[float, float], rng: np.random.Generator, *, gap: float = 6.0) -> dict[Piece, Array]:
    """The full card to the right of the work, a little askew."""
    piece = full_piece()
    return {
        piece: np.array([size[0] / 2 + gap + 6, -piece.height / 2 + rng.uniform(-20, 20), rng.uniform(-0.03, 0.03)])
    }


def find_dots(light: Floats, guesses: Array, density: float) -> Array:
    """(N, 2) px: centers of gravity of the dark disks near guesses (N, 2) px in an (h, w) picture."""
    found = []
    reach = int(3.3 * density)
    for x, y in guesses:
        column, row = round(x), round(y)
        part = light[row - reach : row + reach + 1, column - reach : column + reach + 1]
        dark = np.clip(0.7 * np.percentile(part, 90) - part, 0, None)
        rows, columns = np.mgrid[row - reach : row + reach + 1, column - reach : column + reach + 1]
        found.append([float((columns * dark).sum() / dark.sum()), float((rows * dark).sum() / dark.sum())])
    return np.array(found)


def _inside(points: Array, focal: float, size: tuple[int, int]) -> bool:
    if np.any(points[:, 2] <= 0):
        return False
    seen = np.abs(points[:, :2] / points[:, 2:] * focal)
    return bool(np.all(seen < 0.97 * np.array(size) / 2))
