"""The page as text; tests/browser looks at it in a browser."""

from __future__ import annotations

import dataclasses
import re
from collections import Counter
from html.parser import HTMLParser

import pytest

from stacker.documents.plan import COLUMNS, Frames
from stacker.errors import Refusal
from stacker.optics.spectrum import Spectrum
from stacker.planning.apertures import aperture_rows
from stacker.presenting import svg
from stacker.presenting.report import blend_first, report_page
from stacker.presenting.report_style import STYLE
from stacker.presenting.slices import Slices

pytest.importorskip("matplotlib")

GREEN = Spectrum.single(550)


def page_of(plan, *, apertures=True):
    rows = aperture_rows(plan.request, (4.0, 8.0)) if apertures else []
    return report_page(plan, GREEN, rows)


class Page(HTMLParser):
    """Elements, their attributes, and the cells of the tables."""

    def __init__(self, text):
        super().__init__()
        self.elements, self.tables, self.open = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))
        if tag not in {"meta", "link", "br", "img"}:
            self.open.append(tag)
        if tag == "table":
            self.tables.append([])
        if tag == "tr":
            self.tables[-1].append([])
        if tag in {"td", "th"}:
            self.tables[-1][-1].append("")

    def handle_startendtag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] in {"td", "th"}:
            self.tables[-1][-1][-1] += data


@pytest.fixture(scope="module")
def zoned():
    """One page for all tests that only read it."""
    return {}


@pytest.fixture
def page(planned, zoned):
    if not zoned:
        plan = planned("subject.zones=[{name: '<eyes> & $x$ 甲虫', from_mm: 0.4, to_mm: 0.7, overlap: 0.5}]")
        zoned.update(plan=plan, text=page_of(plan))
    return zoned


def test_the_page_is_well_formed_and_no_name_is_used_twice(page):
    read = Page(page["text"])
    assert read.open == []
    names = Counter(attributes["id"] for _, attributes in read.elements if "id" in attributes)
    assert names.most_common(1)[0][1] == 1
    wanted = set(re.findall(r'(?:href="|url\()#([^")]+)', page["text"]))
    assert wanted
    assert wanted <= set(names)


def test_nothing_is_fetched_and_no_script_runs(page):
    read = Page(page["text"])
    links = [
        value
        for tag, attributes in read.elements
        for name, value in attributes.items()
        if name in {"src", "href", "srcset", "xlink:href", "data", "action"}
    ]
    assert {link[:1] for link in links if link != "data:,"} == {"#"}
    assert "script" not in {tag for tag, _ in read.elements}
    assert not re.search(r"@import|url\((?!#)", page["text"])
    assert "default-src 'none'" in dict(read.elements)["meta"]["content"].replace("&#x27;", "'")


def test_words_of_a_person_stay_words(planned):
    evil = '<script>alert(1)</script> & "co" $\\frac{1}{0}$'
    text = page_of(dataclasses.replace(planned(), name=evil), apertures=False)
    assert "<script" not in text
    assert text.count("&lt;script&gt;alert(1)&lt;/script&gt; &amp; &quot;co&quot;") == 2


def test_a_zone_named_like_a_formula_or_a_tag_is_drawn_as_written(page):
    assert "&lt;eyes&gt; &amp; $x$ 甲虫" in page["text"]


def test_behind_every_picture_stands_its_table(page):
    plan, read = page["plan"], Page(page["text"])
    pictures = [attributes for tag, attributes in read.elements if tag == "svg"]
    assert len(pictures) == 2 * len(read.tables) == 8
    side, contrast, apertures, clock = read.tables
    by_depth = sorted(zip(plan.frames.focus_um, plan.frames.near_um, plan.frames.far_um, strict=True))
    for row, (focus, near, far) in zip(side[1:], by_depth, strict=True):
        # one decimal in the page, four in the plan
        assert [float(cell) for cell in row[1:]] == pytest.approx([focus, near, far], abs=0.0501)
    assert min(float(row[2]) for row in contrast[1:]) == pytest.approx(plan.coverage.seam_contrast, abs=6e-5)
    assert ["f/4", str(plan.coverage.frame_count)] == [apertures[1][0], apertures[1][3]]
    assert [float(row[4]) for row in clock[1:]] == plan.frames.start_s


@pytest.mark.usefixtures("undrawn")
def test_behind_a_flat_face_the_headline_tells_the_step_of_the_rail(planned):
    plan = planned("subject.index=1.5")
    lead = re.search(r'<p class="lead">(.*?)</p>', page_of(plan, apertures=False))[1]
    told_um = float(re.search(r"steps of the rail of ([0-9.]+) um at most \(depths are true depths\)", lead)[1])
    assert told_um == pytest.approx(plan.coverage.step_um / 1.5, rel=1e-3)  # by Snell's law; four digits are told
    assert "the rail" not in re.search(r'<p class="lead">(.*?)</p>', page_of(planned(), apertures=False))[1]


def test_every_picture_has_a_title_and_a_description(page):
    read = Page(page["text"])
    names = {attributes.get("id") for _, attributes in read.elements}
    for tag, attributes in read.elements:
        if tag == "svg":
            assert attributes["role"] == "img"
            assert set(attributes["aria-labelledby"].split()) <= names
    assert "the softest seam, between frames" in page["text"]


@pytest.mark.usefixtures("undrawn")
def test_the_page_promises_only_what_the_rail_keeps(planned):
    def says(*changes):
        return page_of(planned(*changes), apertures=False)

    promise = "The plan promises 0.8 of the in-focus contrast everywhere"
    assert promise in says("rail.repeatability_um=1")
    unknown = says("rail.repeatability_um=null")
    assert promise not in unknown
    assert "how well the rail repeats is not known" in unknown
    shaky = says("rail.repeatability_um=30")
    assert promise not in shaky
    assert "the chance that its scatter leaves some seam below that is over 0.99" in shaky
    assert promise in says("rail=null")  # without a rail nothing scatters that the plan knows of


def test_the_page_speaks_the_cards_words(page):
    assert "<dt>working distance</dt>" in page["text"]
    assert "focus.kept_contrast 0.8" in page["text"]


def test_the_same_plan_gives_the_same_page(page):
    assert page_of(page["plan"]) == page["text"]


@pytest.mark.usefixtures("undrawn")
def test_a_plan_without_rail_says_that_the_time_is_unknown(planned):
    assert "The time is unknown" in page_of(planned(rail=None), apertures=False)


def test_a_single_frame_is_drawn_too(planned):
    plan = planned("subject.depth_mm=0.001", "focus.end_frames=0", rail=None)
    one = {name: getattr(plan.frames, name)[:1] for name in COLUMNS}
    single = dataclasses.replace(
        plan, frames=Frames(**one), coverage=dataclasses.replace(plan.coverage, frame_count=1, overlap=None)
    )
    text = page_of(single)
    assert "1 slices" not in text
    assert "Contrast through depth" not in text


@pytest.mark.parametrize("order", ["front_to_back", "back_to_front"])
def test_the_page_says_which_frames_to_blend_first_and_how_many_are_shared(order, planned):
    plan = planned("subject.depth_mm=2", f"order={order}")
    slices = Slices.of(plan, Spectrum.single(550))
    count = plan.coverage.frame_count
    assert count == 46  # in two groups of 40 at most that share 4: 25 each
    groups, last = blend_first(slices)
    frames = ("1-25", "22-46") if order == "front_to_back" else ("22-46", "1-25")
    assert groups == f"Frames {', '.join(frames)}: sub-stacks that share 4 with the next."
    assert last.endswith("--groups 40 --shared 4")
    assert blend_first(Slices.of(planned("subject.depth_mm=0.5"), Spectrum.single(550))) == []


@pytest.mark.parametrize(
    "overrides",
    [
        (),
        ("order=back_to_front",),
        (
            "moves=rear",
            "rig={kind: lens, focal_length_mm: 80, "
            "max_magnification: 0, f_number: 4, tubes_mm: [160], working_distance_mm: 40}",
        ),
    ],
)
def test_seams_are_those_of_the_plan(planned, overrides):
    plan = planned(*overrides)
    slices = Slices.of(plan, GREEN)
    # computed from the plan's rounded rows here, before rounding there
    assert min(slices.seam_contrast) == pytest.approx(plan.coverage.seam_contrast, abs=1e-5)
    assert list(slices.focus_um) == sorted(slices.focus_um)
    assert slices.promised == 0.8


@pytest.mark.usefixtures("undrawn")
def test_no_promise_is_claimed_for_a_model_that_makes_none(planned):
    text = page_of(planned("focus.model=blur_circle"), apertures=False)
    assert "promises no contrast" in text


def test_a_missing_matplotlib_is_told_with_the_way_out(planned, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "matplotlib.figure", None)
    with pytest.raises(Refusal, match=r'-m pip install "\.\[pictures\]"'):
        svg.require_matplotlib()


def luminance(color):
    """WCAG 2.2, relative luminance (from memory)."""
    channels = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("theme", [0, 1])
def test_words_and_lines_stand_out_light_and_dark(theme):
    colors = [dict(re.findall(r"--(\w+): (#\w{6})", block)) for block in re.findall(r":root \{([^}]*)\}", STYLE)][theme]
    for words in ("ink", "faint", "strong"):
        for ground in ("paper", "card"):
            assert contrast(colors[words], colors[ground]) >= 4.5, words  # WCAG 2.2, 1.4.3
    assert contrast(colors["ink"], colors["subject"]) >= 4.5
    # lines and bars: 3 to 1 (1.4.11); the light orange is a bar beside blue ones, told by place and tick as well
    assert contrast(colors["one"], colors["card"]) >= 3
    # the two slices differ in lightness too, for eyes that see no colour at all
    assert contrast(colors["one"], colors["other"]) >= 1.2
