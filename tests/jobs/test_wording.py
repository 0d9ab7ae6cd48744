"""Tests that a job advises what its own file can say."""

from __future__ import annotations

import pytest

from stitchbed.core.errors import Disconnected
from stitchbed.core.settings import places
from stitchbed.jobs.steps import STEPS, settings_class
from stitchbed.jobs.wording import in_job


@pytest.mark.parametrize(
    ("step", "said", "there"),
    [
        ("join", "transparent (--outside paper fills it)", 'transparent (outside = "paper" in [join] fills it)'),
        ("join", "--allow-missing writes the rest", "survey.allow_missing = true in [join] writes the rest"),
        ("clean", "--dust normal takes it", 'dust.strength = "normal" in [clean] takes it'),
        ("clean", "or --second SCAN", 'or dust.second = "SCAN" in [clean]'),
        ("clean", "with --second where it lies", "with --second where it lies"),
        ("join", "the right --dpi or none", "the right --dpi or none"),
        ("flats", "try --gap 0.5, --sliver 0.3", "try gap = 0.5 in [flats], sliver = 0.3 in [flats]"),
        ("export.print", "--dpi 300", "dpi = 300 in [export.print]"),
        ("clean", "export --cut tones -- or not", "export --cut tones -- or not"),
        ("clean", "--white 92 makes it white", "tone.white = 92 in [clean] makes it white"),
        ("clean", "--white keep keeps it", 'tone.white = "keep" in [clean] keeps it'),
        ("clean", "--steps paper,dust, or", 'steps = ["paper", "dust"] in [clean], or'),
        ("unknown", "--gap 2", "--gap 2"),
    ],
)  # fmt: skip
def test_options_become_settings_of_the_job_file(step: str, said: str, there: str) -> None:
    assert in_job(said, step) == there


def test_every_key_named_is_one_of_the_step() -> None:
    for step, row in STEPS.items():
        for place in places(settings_class(row)):
            if place.setting.job and place.kind in (int, float):
                option = place.setting.option or place.path[-1].replace("_", "-")
                assert in_job(f"--{option} 2", step).endswith(f" = 2 in [{step}]")


def test_lines_for_a_job_file_stay_below_another_advice() -> None:
    error = Disconnected("a", expected="b", attempt="--allow-missing", lines=('near = ["x 1,2"]',))
    error.advise(in_job(error.attempt, "join"))
    assert "Try: survey.allow_missing = true in [join]; or say how they lie" in str(error)
    assert str(error).splitlines()[-2:] == ["  [join.hints]", '  near = ["x 1,2"]']
