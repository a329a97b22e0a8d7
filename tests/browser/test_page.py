"""Our pages in a real browser: what a person, a screen reader and a printer make of it."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from presenting.test_looked_page import depths, looked, page_of

from stacker.documents.loading import load_request
from stacker.documents.plan_file import parse_plan, plan_text
from stacker.planning.apertures import aperture_rows
from stacker.planning.draft import draft_of
from stacker.planning.planner import plan_of
from stacker.presenting.report import report_page

pytestmark = pytest.mark.campaign

LOOK = Path(__file__).with_name("look.mjs")
# 300 frames by the contrast model, with a zone, two cards and a warning
REQUEST = """\
name: Three hundred <frames> & more
rig: {kind: measured, magnification: 4, f_number: 3.2, working_distance_mm: 34}
camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000], raw_mb: 28, card_gb: 4, battery_frames: 300}
light: {kind: flash, exposure_s: 0.005, recycle_s: 2}
subject: {depth_mm: 6.0, zones: [{name: eyes, from_mm: 1, to_mm: 1.3, overlap: 0.5}]}
rail:
  name: Bench rail
  travel_mm: 80
  soft_limits_mm: [2, 78]
  full_steps_per_turn: 200
  microsteps_per_full_step: 16
  lead_mm: 2
  speed_mm_s: 3
  acceleration_mm_s2: 15
  backlash_um: 15
  repeatability_um: 1.5
"""


def require(what: str, found: object) -> None:
    """A tool that must be there in CI, and may be missing elsewhere."""
    if not found:
        message = f"{what} is missing: Debian's chromium and poppler-utils; npm install axe-core playwright-core, and \
STACKER_NODE_MODULES naming the folder that holds node_modules"
        if os.environ.get("STACKER_REQUIRE_BROWSER") == "1":
            pytest.fail(message)
        pytest.skip(message)


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    """What the browser found, and the folder with pictures and print."""
    folder = tmp_path_factory.mktemp("page")
    request = folder / "three_hundred.yaml"
    request.write_text(REQUEST, encoding="utf-8")
    loaded = load_request(request)
    plan = parse_plan(plan_text(plan_of(loaded.value, loaded.assumed)), "three_hundred.plan.yaml")
    assert abs(plan.coverage.frame_count - 300) <= 2
    rows = aperture_rows(plan.request)
    page = folder / "three_hundred.html"
    page.write_text(report_page(plan, draft_of(plan.request).criterion.spectrum, rows), encoding="utf-8")
    return in_browser(page), folder


def in_browser(page: Path) -> dict:
    """What a browser finds in a page; pictures and print go beside it."""
    chromium = os.environ.get("STACKER_CHROMIUM") or shutil.which("chromium")
    modules = os.environ.get("STACKER_NODE_MODULES", "")
    require("a browser", chromium)
    require("node", shutil.which("node"))
    require("pdfinfo", shutil.which("pdfinfo"))
    require("axe-core", modules and (Path(modules) / "node_modules" / "axe-core").is_dir())
    require("playwright-core", modules and (Path(modules) / "node_modules" / "playwright-core").is_dir())
    done = subprocess.run(
        ["node", str(LOOK), str(page), str(page.parent)],
        env={**os.environ, "STACKER_CHROMIUM": str(chromium)},
        capture_output=True,
        text=True,
        timeout=200,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


VIEWS = [
    f"{scheme}-{width}{opened}" for scheme in ("light", "dark") for width in (1100, 360) for opened in ("", "-open")
]


def test_no_console_message_and_no_request_leaves_the_page(seen):
    found, folder = seen
    assert found["console"] == []
    assert set(found["requests"]) == {(folder / "three_hundred.html").as_uri()}


@pytest.mark.parametrize("view", VIEWS)
def test_the_accessibility_checker_finds_nothing(seen, view):
    checked = seen[0]["views"][view]["axe"]
    assert checked["faults"] == []
    assert checked["passed"] > 15
    # axe cannot see what lies behind text in a picture; tests/presenting/test_report.py computes those contrasts
    assert set(checked["undecided"]) <= {"color-contrast"}


@pytest.mark.parametrize("view", VIEWS)
def test_nothing_scrolls_sideways_and_every_picture_shows_whole(seen, view):
    look = seen[0]["views"][view]
    assert look["wide"] <= look["window"] == int(view.split("-")[1])
    assert look["pictures"] == 4
    assert look["outside"] == []
    assert look["smallest"] >= 11, "words in a picture can be read on a telephone"


def test_three_hundred_frames_print_on_two_pages(seen):
    pages = subprocess.run(["pdfinfo", seen[1] / "page.pdf"], capture_output=True, text=True, check=True).stdout
    assert pages.split("Pages:")[1].split()[0] == "2"
    text = subprocess.run(
        ["pdftotext", "-layout", seen[1] / "page.pdf", "-"], capture_output=True, text=True, check=True
    ).stdout
    for words in (
        "Bench card",
        "The subject from the side",
        "Contrast through depth",
        "The clock",
        "diffraction shows",
    ):
        assert words in text


def test_the_page_of_a_look_is_as_sound(tmp_path):
    page = tmp_path / "looked.html"
    page.write_text(page_of(looked(depths=depths())), encoding="utf-8")
    found = in_browser(page)
    assert found["console"] == []
    assert set(found["requests"]) == {page.as_uri()}
    for view in VIEWS:
        look = found["views"][view]
        assert look["axe"]["faults"] == []
        assert look["wide"] <= look["window"]
        assert look["pictures"] == 6  # three of each stack
        assert look["outside"] == []
