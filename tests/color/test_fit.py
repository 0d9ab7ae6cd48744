"""I check fits of color on charts of known spectra, under three lights, on patches the fit had not seen."""

from __future__ import annotations

import io

import imagecodecs
import numpy as np
import pytest
from PIL import ImageCms
from synthetic_charts import LIGHTS, shown

from stitchbed.color.cielab import SPACES, de00, lab_from_xyz, xyz_from_lab, xyz_from_rgb
from stitchbed.color.fit import KINDS, ColorFit, fit_color, neutral_error, term_slopes, terms_of, xyz_of
from stitchbed.color.profiles import profile_of, same_colors, srgb_profile, xyz_from_profile
from stitchbed.imaging.transfer import transfer_of

NEUTRAL = np.arange(24) >= 18
READING_NOISE = 0.001  # of a patch's mean over some thousand pixels


def fitted(illuminant: str, kind: str | None = None) -> tuple[ColorFit, np.ndarray]:
    seen = shown(illuminant)
    rng = np.random.default_rng(1)
    light = seen.light * (1 + READING_NOISE * rng.standard_normal(seen.light.shape))
    return fit_color(light, seen.lab, NEUTRAL, kind), seen.lab


@pytest.mark.parametrize("illuminant", LIGHTS)
def test_held_out_patches_and_grays(illuminant: str) -> None:
    """Promised: mean dE2000 at most 1.5 on patches not seen, grays within 1.0; a mean below .2 would mean a leak."""
    fit, lab = fitted(illuminant)
    assert 0.2 < fit.de00_held_out.mean() <= 1.5
    assert neutral_error(fit.lab, lab, NEUTRAL).max() <= 1.0
    assert fit.de00.mean() < fit.de00_held_out.mean()


def test_few_patches_carry_six_terms_only_where_they_help() -> None:
    """Daylight through this camera: six terms beat three on patches not seen (.55 against .78 measured)."""
    assert fitted("D65")[0].kind == "root"
    exact, _ = fitted("D65", "matrix")
    xyz = xyz_of("matrix", exact.coefficients, shown("D65").light)
    again = fit_color(shown("D65").light, lab_from_xyz(xyz), NEUTRAL)
    assert again.kind == "matrix"  # nothing is left for more terms to explain


def test_a_linear_camera_is_undone_exactly() -> None:
    rng = np.random.default_rng(2)
    lab = shown("D65").lab
    mixing = np.eye(3) + 0.2 * rng.uniform(-1, 1, (3, 3))
    light = xyz_from_lab(lab) @ mixing
    fit = fit_color(light, lab, NEUTRAL, "matrix")
    assert fit.de00_held_out.max() < 1e-3
    assert fit.coefficients == pytest.approx(np.linalg.inv(mixing), abs=1e-4)


# Finlayson, Mackiewicz & Hurlbert (2015), degree 2, as computed by colour-science 0.4.7 for this color.
def test_root_terms() -> None:
    terms = terms_of("root", np.array([0.17224810, 0.09170660, 0.06416938]))
    expected = [0.17224810, 0.09170660, 0.06416938, 0.12568328, 0.07671216, 0.10513350]
    assert terms == pytest.approx(np.array(expected), abs=1e-8)


@pytest.mark.parametrize("kind", ["matrix", "root"])
def test_twice_the_light_is_twice_the_color(kind: str) -> None:
    fit, _ = fitted("D65", kind)
    light = shown("D65").light
    assert xyz_of(kind, fit.coefficients, 0.5 * light) == pytest.approx(0.5 * xyz_of(kind, fit.coefficients, light))


def test_exposure_of_the_chart_does_not_matter() -> None:
    dark = shown("A", exposure=0.3)
    bright = shown("A", exposure=0.9)
    errors = [fit_color(one.light, one.lab, NEUTRAL, "root").de00.mean() for one in (dark, bright)]
    assert errors[0] == pytest.approx(errors[1], rel=0.02)


def test_a_wrong_reference_shows_in_held_out_patches() -> None:
    seen = shown("D65")
    mixed = np.random.default_rng(3).permutation(24)
    assert fit_color(seen.light, seen.lab[mixed], NEUTRAL).de00_held_out.mean() > 10


def test_too_few_patches() -> None:
    with pytest.raises(ValueError, match="too few"):
        fit_color(np.ones((5, 3)), np.ones((5, 3)), np.zeros(5, bool))


@pytest.mark.parametrize("space", SPACES)
def test_profiles_carry_the_space(space: str) -> None:
    """ICC profiles hold s15Fixed16 numbers: steps of 1.5e-5, and a white rounded to four decimals."""
    icc = profile_of(space)
    assert xyz_from_profile(icc) == pytest.approx(xyz_from_rgb(SPACES[space]), abs=5e-5)
    transfer = transfer_of(icc)
    assert transfer.exact and transfer.decode16[-1] == pytest.approx(1.0, abs=1e-6)
    assert ImageCms.ImageCmsProfile(io.BytesIO(icc)).profile.xcolor_space == "RGB "


def test_no_profile_and_no_matrix_mean_srgb() -> None:
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    for icc in (None, lab, b"no profile at all"):
        assert xyz_from_profile(icc) == pytest.approx(xyz_from_rgb(SPACES["srgb"]), abs=1e-12)


def test_neutral_error_is_a_distance_in_the_color_plane() -> None:
    lab = np.array([[50.0, 3, 4], [60, 9, 9]])
    assert neutral_error(lab, np.array([[55.0, 0, 0], [60, 0, 0]]), np.array([True, False])) == pytest.approx([5.0])
    assert float(de00(lab[0], lab[0])) == 0.0


@pytest.mark.parametrize("kind", KINDS)
def test_slopes_of_terms_are_those_of_small_steps(kind: str) -> None:
    light = np.random.default_rng(4).uniform(0.01, 1, (30, 3))
    found = term_slopes(kind, light)
    for channel, step in enumerate(1e-6 * np.eye(3)):
        stepped = (terms_of(kind, light + step) - terms_of(kind, light - step)) / 2e-6
        assert found[..., channel] == pytest.approx(stepped, abs=1e-6)
    assert np.isfinite(term_slopes(kind, np.zeros((1, 3)))).all()


def test_a_picture_without_a_profile_counts_as_srgb() -> None:
    """Whoever wrote the sRGB profile; no other space, and nothing that is more than a curve and primaries."""
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    others_srgb = bytes(imagecodecs.cms_profile("srgb"))
    assert others_srgb != srgb_profile()
    assert same_colors(None, srgb_profile()) and same_colors(others_srgb, None)
    wider = [profile_of(space) for space in SPACES if space != "srgb"]
    assert not any(same_colors(icc, srgb_profile()) or same_colors(None, icc) for icc in (*wider, lab))
    assert same_colors(lab, lab)
