"""I make the pictures of README's tour: one for each command, from the demonstration map and scenes of our own.

In: `python tests/scenes/draw_tour.py`. Out: tests/pictures/NAME.jpg for every command but join.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image, ImageDraw, ImageFont

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests/scenes"), str(ROOT / "tests/fixtures")]

import synthetic_camera as camera  # noqa: E402
import synthetic_captures as captures  # noqa: E402
from pipelines.test_color import measured24, saved  # noqa: E402
from pipelines.test_compare import _scans  # noqa: E402
from synthetic_charts import chart_picture, shown  # noqa: E402

OUT = ROOT / "tests" / "pictures"
SIZE = (880, 420)  # px of one picture
GROUND = (119, 119, 119)
SEA = (52, 116, 130)


def main() -> None:
    """Make all of them."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shutil.copytree(ROOT / "demo_tiles", folder / "demo_tiles")
        said = run(folder, "run", "demo_tiles/job.toml", "-o", "out")
        made: dict[str, Callable[[Path], Image.Image]] = {
            "plan": plan, "check": check, "card": card, "rectify": rectify, "color": color, "clean": clean,
            "lines": lines, "flats": flats, "export": export, "compare": compare,
        }  # fmt: skip
        for command, draw in made.items():
            save(command, draw(folder))
        save("run", page_of(said))


def run(folder: Path, *words: str) -> str:
    """What a command says."""
    told = [sys.executable, "-m", "stitchbed", *words]
    return subprocess.run(
        told, cwd=folder, env={"PYTHONPATH": str(ROOT)}, check=True, capture_output=True, text=True
    ).stdout


def save(name: str, picture: Image.Image) -> None:
    """One picture of the tour, on middle gray."""
    picture.thumbnail(SIZE, Image.Resampling.LANCZOS)
    picture.convert("RGB").save(OUT / f"{name}.jpg", quality=82)


def beside(*pictures: Image.Image) -> Image.Image:
    """Pictures side by side, equally high."""
    shown = [one.convert("RGB").resize((max(1, round(one.width * SIZE[1] / one.height)), SIZE[1])) for one in pictures]
    whole = Image.new("RGB", (sum(one.width for one in shown) + 12 * (len(shown) - 1), SIZE[1]), GROUND)
    at = 0
    for one in shown:
        whole.paste(one, (at, 0))
        at += one.width + 12
    return whole


def page_of(text: str) -> Image.Image:
    """Words as a terminal shows them."""
    picture = Image.new("RGB", SIZE, (250, 249, 246))
    lines = [line[:118] for line in text.splitlines()][:25]
    ImageDraw.Draw(picture).multiline_text(
        (14, 12), "\n".join(lines), (40, 40, 40), ImageFont.load_default(13), spacing=3
    )
    return picture


def part(path: Path, share: tuple[float, float, float, float]) -> Image.Image:
    """A part of a picture: left, top, right, bottom as shares."""
    with Image.open(path) as whole:
        w, h = whole.size
        return whole.convert("RGBA").crop((int(share[0] * w), int(share[1] * h), int(share[2] * w), int(share[3] * h)))


def over(picture: Image.Image, color: tuple[int, int, int]) -> Image.Image:
    """A picture with alpha laid over one color."""
    return Image.alpha_composite(Image.new("RGBA", picture.size, (*color, 255)), picture)


def plan(folder: Path) -> Image.Image:
    """The page to print, and what is said."""
    said = run(folder, "plan", "--art", "420x594mm", "--bed", "216x297mm", "--drawing", "plan.png")
    return beside(Image.open(folder / "plan.png"), page_of(said))


def check(folder: Path) -> Image.Image:
    """What is said of the demonstration pieces."""
    return page_of(run(folder, "check", "demo_tiles"))


def card(folder: Path) -> Image.Image:
    """Both pages of the card."""
    run(folder, "card", "-o", "card.pdf")
    return beside(*(Image.open(path).reduce(6) for path in sorted(folder.glob("card*.png"))))


def rectify(folder: Path) -> Image.Image:
    """A photograph by hand, and the work seen straight on."""
    rng = np.random.default_rng(3)
    size, density = (240.0, 170.0), 5.0
    work, _ = camera.painted(size, density, rng)
    scene = camera.scene_with_cards(work, density, camera.laid_round(size, rng), margin=150, table=(0.33, 0.31, 0.28))
    shot = camera.aimed(rng, size=(2400, 1800), field_mm=(430.0, 330.0), tilt_deg=20.0)
    Image.fromarray(camera.photograph(scene, shot, rng)).save(folder / "photo.png", dpi=(72, 72))
    run(folder, "rectify", "photo.png", "-o", "flat.tif", "--dpi", "100", "--quiet")
    return beside(Image.open(folder / "photo.png"), Image.open(folder / "flat.tif"))


def color(folder: Path) -> Image.Image:
    """A picture under a lamp with a measured chart in it, before and after."""
    seen = saved(chart_picture(shown("A").light, np.random.default_rng(1)), folder / "seen.tif")
    words = ("--card", "24", "--patches", str(measured24(folder)), "--space", "srgb", "--bits", "8", "--quiet")
    run(folder, "color", str(seen), "-o", "true.tif", *words)
    before = Image.fromarray((tifffile.imread(seen) // 257).astype(np.uint8))
    return beside(before, Image.open(folder / "true.tif"))


def clean(folder: Path) -> Image.Image:
    """A corner of the canvas and of the clean page."""
    share = (0.0, 0.0, 0.3, 0.35)
    return beside(*(part(folder / "out" / f"tram_map_{name}.tif", share) for name in ("canvas", "page")))


def lines(folder: Path) -> Image.Image:
    """Lines over a color."""
    return over(part(folder / "out" / "tram_map_lines.tif", (0.3, 0.3, 0.75, 0.75)), SEA)


def flats(folder: Path) -> Image.Image:
    """Flat color under the lines."""
    share = (0.3, 0.3, 0.75, 0.75)
    page = "out/tram_map_page.tif"
    run(folder, "flats", "out/tram_map_lines.tif", "-o", "out/tram_map_flats.tif", "--sliver", "2", "--from", page)
    under = part(folder / "out" / "tram_map_flats.tif", share)
    return Image.alpha_composite(under, part(folder / "out" / "tram_map_lines.tif", share))


def export(folder: Path) -> Image.Image:
    """The copy without paper, over a color."""
    path = next((folder / "out").glob("*nopaper*.png"))
    return over(part(path, (0.0, 0.0, 1.0, 1.0)), SEA)


def compare(folder: Path) -> Image.Image:
    """The same places at several dpi."""
    (folder / "steps").mkdir()
    paths = captures.write_steps(folder / "steps", _scans(captures.Optics(30.0), 5, (300, 600)))
    run(folder, "compare", *map(str, paths), "--crops", "crops.png")
    return Image.open(folder / "crops.png")


if __name__ == "__main__":
    main()
