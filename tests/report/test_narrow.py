"""I check that proof pages of steps are whole on a phone: nothing beside the screen, no value squeezed into a column.

In: proof pages of small works. Out: how they lie in a browser 390 px wide.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from browser import chromium  # noqa: F401 (a fixture)
from small_jobs import JOBS, invoke

PHONE = {"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": True}
NARROWEST = 90  # px; a value of a record in a thinner column is read letter by letter


@pytest.mark.parametrize("step", ["rectify", "color", "clean"])
def test_all_is_in_sight_on_a_phone(browser: Any, tmp_path: Path, step: str) -> None:
    (tmp_path / "out").mkdir()
    page = tmp_path / "out" / "proof.html"
    done = invoke((*JOBS[step](tmp_path).words, "--proof", str(page)), tmp_path / "out")
    assert done.exception is None
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", PHONE)
    browser.get("file://" + quote(str(page)))
    browser.execute_script("for (const one of document.querySelectorAll('details')) one.open = true")
    wide, beside, thin = browser.execute_script(
        """const all = (s) => [...document.querySelectorAll(s)];
        const said = (e) => e.textContent.slice(0, 60);
        return [document.documentElement.scrollWidth,
          all('.scroll, .listing').filter((e) => e.scrollWidth > e.clientWidth + 1).map(said),
          all('dd').filter((e) => e.clientWidth < arguments[0]).map(said)];""",
        NARROWEST,
    )
    assert (wide, beside, thin) == (PHONE["width"], [], [])
