"""I check copies: size, dpi, profile and depth as three readers see them, names, and that nothing is written over."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from PIL import Image
from region_pages import region_page

from stitchbed.cli.commands.export import command
from stitchbed.color.convert import to_srgb
from stitchbed.color.profiles import srgb_profile
from stitchbed.copies import copies as exports
from stitchbed.copies.artwork import Artwork
from stitchbed.copies.resizing import resized, sharpened
from stitchbed.core.errors import BadSettings, CannotWrite, WouldTouchOriginal
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.depth import at_depth
from stitchbed.output.png import PngRows, PngSpec
from stitchbed.page.line_art.ink_layer import over
from stitchbed.page.page import page_of_array
from stitchbed.pipelines.export import CopySettings, ExportSettings, export
from stitchbed.pipelines.flats import FlatsSettings, fill_flats
from stitchbed.pipelines.lines import LinesSettings, lift_lines
from stitchbed.pipelines.texts.export import summary as export_summary

ICC = srgb_profile()
DPI = 300


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a gray page of 16 bits, its lines and its flats."""
    folder = tmp_path_factory.mktemp("made")
    drawn = region_page(DPI, 2, size=(50.0, 32.0))
    page = (255 - drawn.alpha).astype(np.uint16) * 257
    tifffile.imwrite(folder / "map.tif", page, photometric="minisblack", resolution=(DPI, DPI), resolutionunit=2)
    lift_lines(folder / "map.tif", folder / "lines.tif", LinesSettings(pictures=False))
    fill_flats(folder / "lines.tif", folder / "flats.tif", FlatsSettings(pictures=False))
    return folder


@pytest.fixture(scope="module")
def copies(made: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, object]]:
    folder = tmp_path_factory.mktemp("copies")
    sizes = CopySettings(print_mm=(40, 40), print_dpi=600, web_px=400)
    settings = ExportSettings(lines=made / "lines.tif", flats=made / "flats.tif", copies=sizes)
    record = export(made / "map.tif", folder, settings)
    text = export_summary(record, folder)
    assert len(text.splitlines()) == 4
    return folder, record


def _file(copies: tuple[Path, dict[str, object]], name: str) -> Path:
    return copies[0] / copies[1]["numbers"][name]["file"]  # type: ignore[index]


def test_names_say_what_they_are(copies: tuple[Path, dict[str, object]]) -> None:
    names = {p.name for p in copies[0].glob("[!.]*")}
    assert names == {
        "map_layers_300dpi.ora", "map_print_40x26mm_600dpi_rgb16.tif", "map_web_400px_srgb.png",
        "map_nopaper_300dpi_rgba16.png", "map_export.json",
    }  # fmt: skip
    assert json.loads((copies[0] / "map_export.json").read_text())["outputs"] == copies[1]["outputs"]


def test_print_as_three_readers_see_it(copies: tuple[Path, dict[str, object]]) -> None:
    path = _file(copies, "print")
    # 50 x 32 mm at 300 dpi are 591 x 378 px; 40 mm of 50.04 mm at 600 dpi are 945 px, and 378/591 of that
    width, height = 945, 604
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        assert page.shape == (height, width, 3)
        assert page.dtype == np.uint16
        assert page.tags[282].value == (600, 1)
        assert page.iccprofile == ICC
        pixels = page.asarray()
    with Image.open(path) as picture:
        assert picture.size == (width, height)
        assert picture.info["dpi"] == (600, 600)
        assert picture.info["icc_profile"] == ICC
    seen = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert np.array_equal(seen[..., ::-1], pixels)


def test_web_copy(copies: tuple[Path, dict[str, object]]) -> None:
    path = _file(copies, "web")
    with Image.open(path) as picture:
        assert picture.mode == "RGB"
        assert max(picture.size) == 400
        assert "icc_profile" not in picture.info
        assert picture.info["srgb"] == 1
        # the dpi keep the size on paper: 400 px over 50.04 mm
        assert picture.size[0] / picture.info["dpi"][0] * MM_PER_INCH == pytest.approx(
            591 / 300 * MM_PER_INCH, rel=0.002
        )
        assert np.array_equal(cv2.imread(str(path))[..., ::-1], np.asarray(picture))


def test_copy_without_paper(copies: tuple[Path, dict[str, object]], made: Path) -> None:
    path = _file(copies, "nopaper")
    picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., [2, 1, 0, 3]]
    assert picture.dtype == np.uint16
    # ISO/IEC 15948 pHYs: 300 dpi are 11811 px a meter
    assert b"pHYs\x00\x00\x2e\x23\x00\x00\x2e\x23\x01" in path.read_bytes()
    painted, layer = tifffile.imread(made / "flats.tif"), tifffile.imread(made / "lines.tif")
    paper = (painted == 65535).all(axis=2)
    assert paper.any()
    assert not picture[paper & (layer[..., -1] == 0)][:, 3].any()
    assert (picture[~paper][:, 3] == 65535).all()
    rgba = np.concatenate([np.repeat(layer[..., :1], 3, axis=2), layer[..., 1:]], axis=2)
    back = over(picture, np.full_like(painted, 65535))
    assert np.abs(back.astype(int) - over(rgba, painted)).max() <= 1


def test_a_painting_is_cut_out_whole_and_a_drawing_by_its_tones(tmp_path: Path) -> None:
    """A pale wash inside its outline, and hatching: one stays opaque unless told, the other has its tones as alpha."""
    wash = np.full((400, 500, 3), 255, np.uint8)
    cv2.circle(wash, (250, 200), 120, (150, 190, 225), -1, cv2.LINE_AA)
    cv2.circle(wash, (250, 200), 60, (246, 244, 252), -1, cv2.LINE_AA)
    inked = np.full_like(wash, 255)
    for n in range(12):
        cv2.line(inked, (100 + 20 * n, 80), (130 + 20 * n, 300), (12, 12, 12), 4, cv2.LINE_AA)
    found = {}
    for name, pixels, cut in (("wash", wash, "found"), ("told", wash, "tones"), ("inked", inked, "found")):
        tifffile.imwrite(tmp_path / f"{name}.tif", pixels, resolution=(DPI, DPI), resolutionunit=2, iccprofile=ICC)
        record = export(tmp_path / f"{name}.tif", tmp_path, ExportSettings(("nopaper",), copies=CopySettings(cut=cut)))
        told = record["numbers"]["nopaper"]
        found[name] = told["cut"], cv2.imread(str(tmp_path / told["file"]), cv2.IMREAD_UNCHANGED)[..., 3]
    assert [cut for cut, _ in found.values()] == ["figure", "tones", "tones"]
    assert found["wash"][1][200, 250] == 255 and found["told"][1][200, 250] == 11  # of 244
    assert found["wash"][1][20, 20] == found["told"][1][20, 20] == 0 < found["inked"][1].max()


def test_same_size_is_code_for_code(made: Path, tmp_path: Path) -> None:
    settings = ExportSettings(make=("print",), stem="same")
    record = export(made / "map.tif", tmp_path, settings)
    path = tmp_path / record["numbers"]["print"]["file"]
    assert path.name == "same_print_50x32mm_300dpi_gray16.tif"
    assert np.array_equal(tifffile.imread(path), tifffile.imread(made / "map.tif"))


def test_letter_page_arithmetic(tmp_path: Path) -> None:
    """8.5 x 11.7 in: 5100 x 7020 px at 600 dpi, 2550 x 3510 at 300; 51.2 MiB as RGB of 16 bits at 300 dpi."""
    source = tmp_path / "page.tif"
    tifffile.imwrite(
        source, np.full((1404, 1020, 3), 200, np.uint8), photometric="rgb", resolution=(120, 120), resolutionunit=2
    )
    for dpi, size, mib in ((300, (2550, 3510), 51.2), (200, (1700, 2340), 22.8)):
        settings = ExportSettings(make=("print",), copies=CopySettings(print_dpi=dpi))
        numbers = export(source, tmp_path, settings)["numbers"]["print"]
        assert (numbers["width"], numbers["height"]) == size
        assert numbers["mib_of_pixels"] == mib
        assert set(np.unique(tifffile.imread(tmp_path / numbers["file"]))) == {200 * 257}


def test_nothing_is_written_over_unless_told(made: Path, tmp_path: Path) -> None:
    settings = ExportSettings(make=("web",), copies=CopySettings(web_px=64))
    export(made / "map.tif", tmp_path, settings)
    copy = tmp_path / "map_web_64px_srgb.png"
    whole = copy.read_bytes()
    export(made / "map.tif", tmp_path, settings)  # over its own copy
    assert copy.read_bytes() == whole
    copy.write_bytes(b"retouched")
    with pytest.raises(WouldTouchOriginal):
        export(made / "map.tif", tmp_path, settings)
    assert copy.read_bytes() == b"retouched"
    export(made / "map.tif", tmp_path, ExportSettings(make=("web",), replace=True, copies=CopySettings(web_px=64)))
    assert copy.read_bytes() == whole and (tmp_path / "map_web_64px_srgb-1.png").read_bytes() == b"retouched"


@pytest.mark.parametrize(
    ("page", "folder", "make", "error"),
    [
        ("map.tif", "", ("poster",), BadSettings),
        (None, "", None, BadSettings),
        ("map.tif", "nowhere", None, CannotWrite),
    ],
)
def test_nonsense_is_refused(
    made: Path, page: str | None, folder: str, make: tuple[str, ...] | None, error: type[Exception]
) -> None:
    with pytest.raises(error):
        export(made / page if page else (), made / folder, ExportSettings(make=make))


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("samples", [1, 2, 3, 4])
def test_png_rows_come_back(samples: int, bits: int) -> None:
    """Noise, a ramp and flat rows, so that every filter is used; read by OpenCV, in pieces of unequal height."""
    rng = np.random.default_rng(samples * bits)
    pixels = rng.integers(0, 2**bits, (61, 45, samples)).astype(f"uint{bits}")
    pixels[20:40] = np.arange(45)[:, None] * (2**bits // 64)
    pixels[40:] = 7
    out = io.BytesIO()
    with PngRows(out, PngSpec(61, 45, samples, bits, 600, srgb=True)) as sheet:
        for top in range(0, 61, 13):
            sheet.push(pixels[top : top + 13])
    seen = cv2.imdecode(np.frombuffer(out.getvalue(), np.uint8), cv2.IMREAD_UNCHANGED).reshape(61, 45, -1)
    if samples == 2:  # OpenCV shows gray and alpha as four samples
        seen, pixels = seen[..., [0, 3]], pixels
    elif samples > 2:
        seen = seen[..., [2, 1, 0, 3][:samples]]
    assert np.array_equal(seen, pixels)
    info = Image.open(io.BytesIO(out.getvalue()))
    assert info.size == (45, 61)
    assert round(info.info["dpi"][0]) == 600
    with (
        pytest.raises(ValueError, match="missing"),
        PngRows(io.BytesIO(), PngSpec(3, 45, samples, bits, None)) as sheet,
    ):
        sheet.push(pixels[:2])


def test_resizing_keeps_means_edges_and_waves() -> None:
    """A flat stays flat; a wave well within the new grid keeps its height, one far beyond it is gone, not folded."""
    x = np.arange(600, dtype=np.float32)
    slow, fast = 0.5 + 0.4 * np.sin(2 * np.pi * x / 40), 0.5 + 0.4 * np.sin(2 * np.pi * x / 2.6)
    flat = np.full_like(x, 0.3)
    picture = np.stack([slow, fast, flat], axis=1)[None].repeat(300, axis=0)

    def read(box: Box) -> np.ndarray:
        return picture[box.slices]

    small = resized(read, (300, 600), (100, 200), Box(0, 0, 100, 200))
    inside = small[10:-10, 10:-10]
    assert np.abs(inside[..., 2] - 0.3).max() < 1e-5
    wanted = 0.5 + 0.4 * np.sin(2 * np.pi * ((np.arange(200) + 0.5) * 3 - 0.5) / 40)
    assert np.abs(inside[..., 0] - wanted[10:-10]).max() < 0.01
    # Lanczos-3 leaves under 2 percent of a wave at 2.3 times the new grid's limit
    assert np.abs(inside[..., 1] - 0.5).max() < 0.008
    part = resized(read, (300, 600), (100, 200), Box(31, 57, 20, 40))
    assert np.allclose(part, small[31:51, 57:97], atol=1e-6)
    large = resized(read, (300, 600), (450, 900), Box(0, 0, 450, 900))
    assert np.abs(large[20:-20, 20:-20, 2] - 0.3).max() < 1e-5


def test_sharpening_raises_edges_only() -> None:
    step = np.full((40, 40, 3), 0.3, np.float32)
    step[:, 20:] = (0.7, 0.6, 0.5)
    out = sharpened(step, 0.5, 0.7)
    assert np.allclose(out[:, :15], step[:, :15], atol=1e-4)
    assert out[20, 19].mean() < 0.29
    assert out[20, 20].mean() > 0.61
    assert np.array_equal(sharpened(step, 0, 0.7), step)


def test_depths_and_profiles() -> None:
    codes = np.arange(256, dtype=np.uint8).reshape(16, 16, 1)
    assert np.array_equal(at_depth(at_depth(codes, "uint16"), "uint8"), codes)
    assert at_depth(codes, "uint16").max() == 65535
    assert to_srgb(codes, None).shape == (16, 16, 3)


def test_command_makes_what_it_is_told(made: Path, tmp_path: Path) -> None:
    words = [
        str(made / "map.tif"), "--lines", str(made / "lines.tif"), "--flats", str(made / "flats.tif"),
        "-o", str(tmp_path), "--make", "layers,print", "--print-mm", "30x30", "--layer-bits", "8", "--name", "harbor",
        "--json",
    ]  # fmt: skip
    result = CliRunner().invoke(command, words, catch_exceptions=False)
    record = json.loads(result.output)
    assert set(record["numbers"]) == {"layers", "print"}
    assert record["numbers"]["layers"]["bits"] == 8
    assert all((tmp_path / name).is_file() and name.startswith("harbor_") for name in record["outputs"])
    assert CliRunner().invoke(command, ["-o", str(tmp_path), "--print-mm", "wide"]).exit_code == 2


def test_a_small_copy_of_a_large_page_is_read_in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """However small the copy: never more read at once than the limit and a kernel's rim, and the parts do not show."""
    codes = np.random.default_rng(1).integers(0, 65536, (1500, 2100, 1)).astype(np.uint16)
    page = page_of_array(codes, 300)
    read: list[int] = []

    def counted(box: Box) -> np.ndarray:
        read.append(box.height * box.width)
        return page.read(box)

    art = Artwork(replace(page, read=counted), None, None)
    new, box = (150, 210), Box(0, 0, 150, 210)
    whole = exports._resized_codes(art, new, box)
    assert read == [1500 * 2100]
    read.clear()
    monkeypatch.setattr(exports, "READ_PX", 100_000)
    assert np.array_equal(exports._resized_codes(art, new, box), whole)
    # a kernel of 3 lobes reaches 30 px further on each side at a tenth of the size
    assert max(read) <= (np.sqrt(100_000) * 1.5 + 62) ** 2
    assert len(read) >= 32
