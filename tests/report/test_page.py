import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from importlib import resources

import numpy as np
import pytest

from misfire.records import FAULT_TYPES, Engine, Finding, Reason
from misfire.report.advice import next_tests
from misfire.report.diagnosis.page import format_page
from misfire.report.diagnosis.table import format_table
from misfire.report.wording import FAULTS
from tests.builders.diagnoses import (
    make_current_panel,
    make_diagnosis,
    make_primary_panel,
    make_quiet_diagnosis,
)

VOID = {"meta", "link", "br", "hr", "img", "input", "path", "rect"}


class Outline(HTMLParser):
    """Collects what the checks need of a page, and that its tags close in order."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.open, self.words, self.faults = [], [], [], []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.faults.append((tag, self.getpos()))

    def handle_data(self, data):
        if not {"script", "style"} & set(self.open):
            self.words.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", "".join(self.words).replace("\u00a0", " "))

    def named(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]


PAGES = {
    "misfire": make_diagnosis,
    "no_misfire": make_quiet_diagnosis,
    "inconclusive": lambda: make_quiet_diagnosis(verdict="inconclusive"),
}


@pytest.fixture(scope="module", params=PAGES)
def page(request):
    return format_page(PAGES[request.param]())


def test_tags_close_in_order(page):
    outline = Outline(page)
    assert outline.faults == []
    assert outline.open == []


def test_nothing_is_fetched(page):
    outline = Outline(page)
    policy = outline.named("meta")[1]
    assert policy["http-equiv"] == "Content-Security-Policy"
    assert policy["content"].startswith("default-src 'none'")
    for _, attrs in outline.tags:
        assert not {"src", "srcset", "data", "poster", "xlink:href", "action"} & set(attrs)
        assert attrs.get("href", "#").startswith("#")
    style = page[page.index("<style>") : page.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style
    assert not re.search(r"https?:|//[a-z0-9-]+\.[a-z]", page)
    assert not re.search(r"\b(fetch|XMLHttpRequest|WebSocket|sendBeacon)\b", page)


def test_structure_can_be_read_without_eyes(page):
    outline = Outline(page)
    assert len(outline.named("h1")) == 1
    assert outline.named("html")[0]["lang"] == "en"
    ids = [attrs["id"] for _, attrs in outline.tags if "id" in attrs]
    assert [k for k, n in Counter(ids).items() if n > 1] == []
    for tag, attrs in outline.tags:
        for name in ("aria-labelledby", "aria-controls"):
            assert attrs.get(name, ids[0]) in ids, (tag, attrs)
        if tag == "svg":
            assert attrs.get("aria-hidden") == "true" or attrs.get("role") == "img"
        if tag == "th":
            assert "scope" in attrs
        if attrs.get("class") == "scroll":
            assert attrs["tabindex"] == "0"
            assert "aria-label" in attrs or "aria-labelledby" in attrs
        if tag == "a":
            assert attrs["href"][1:] in ids
    canvas = outline.named("canvas")[0]
    assert canvas["tabindex"] == "0"
    assert "lost combustion" in canvas["aria-label"]
    assert outline.named("output")[0]["aria-live"] == "polite"
    controls = [attrs for _, attrs in outline.tags if "data-act" in attrs]
    assert len(controls) == 9
    parts = [attrs for _, attrs in outline.tags if "data-part" in attrs]
    assert [attrs["aria-pressed"] for attrs in parts] == ["true", "false", "false", "false"]
    heights = [attrs for _, attrs in outline.tags if "data-heights" in attrs]
    zooms = [attrs for _, attrs in outline.tags if "data-zoom" in attrs]
    assert len(outline.named("button")) == len([*controls, *parts, *heights, *zooms])


def test_page_one_answers_the_five_questions():
    text = Outline(format_page(make_diagnosis())).text
    first = text[: text.index("Cylinders, ranked")]
    for words in (
        "Cylinder 3 is misfiring.",
        "3 (would be code P0303)",
        "57 of 4180 combustions lost, about 1 in 73",
        "1.4 % (95 % interval 1.1 to 1.8 %)",
        "In 7 bouts from 1:1",
        "Largest bout: 14 lost within",
        "at 5:03",
        "Most at 1600 to 1800 rev/min",
        "Likely (over 80 %): open or high-resistance secondary circuit",
        "Very likely (98 %)",
        "What to do next",
        "swap the coil with its boot",
        "The vehicle maker's procedure, local rules and licensed practice come first",
    ):
        assert words in first
    assert format_page(make_diagnosis()).index("panel-0-wide") < format_page(
        make_diagnosis()
    ).index('id="ranking"')


def test_no_misfire_says_what_may_hide():
    text = Outline(format_page(make_quiet_diagnosis())).text
    assert "No misfire was found." in text
    # 0 of 4179, one-sided 95 per cent: 1 - 0.05 ** (1 / 4179) = 1 / 1395.5 (binomial)
    assert "fewer than 1 in 1395 combustions" in text
    assert "no reason to replace an ignition or fuel part" in text


def test_cylinders_that_share_a_probability_are_named_together():
    # as likely as one another, none of them is "the most likely" one
    made = make_quiet_diagnosis(verdict="inconclusive")
    shared = tuple(replace(c, probability=0.27) for c in made.cylinders)
    text = Outline(format_page(replace(made, cylinders=shared))).text
    assert "None can be named; 1, 2, 3 and 4 are equally likely" in text
    assert "the most likely is" not in text


def test_inconclusive_gives_its_reason_and_accuses_nobody():
    text = Outline(format_page(make_quiet_diagnosis(verdict="inconclusive"))).text
    assert "gives no clear result" in text
    assert "Only the starter current was recorded. Record a coil primary" in text
    assert "is misfiring" not in text
    assert "suspect" not in text[: text.index("Cylinders, ranked")].lower()


def test_a_pair_that_cannot_be_told_apart_is_named_as_a_pair():
    made = make_diagnosis()
    shares = {1: 0.47, 4: 0.46, 2: 0.01, 3: 0.01}
    results = tuple(
        replace(c, probability=shares[c.cylinder], rank=rank)
        for rank, c in enumerate(sorted(made.cylinders, key=lambda c: -shares[c.cylinder]), start=1)
    )
    job = replace(made.job, engine=Engine(4, (1, 3, 4, 2), "wasted_spark"))
    text = Outline(format_page(replace(made, cylinders=results, job=job, panels=()))).text
    assert "Cylinder 1 or 4 has a bad spark; nothing tells which one." in text
    assert "cylinders 1 and 4 share one coil" in text


def test_of_a_pair_that_shares_more_than_one_fault_both_may_fail():
    made = make_diagnosis()
    shares = {1: 0.71, 4: 0.71, 2: 0.01, 3: 0.01}
    results = tuple(replace(c, probability=shares[c.cylinder]) for c in made.cylinders)
    reasons = tuple(Reason("shared", f"cylinder {c}", 0.5, "they share", {}) for c in (1, 4))
    told = replace(made, cylinders=results, reasons=reasons, panels=())
    # 0.71 + 0.71 is more than one fault and less than two: "and" says too much
    assert "Cylinder 1 or 4 has a bad spark, or both; nothing tells which." in format_page(told)
    assert " or cylinder 4 (P0304) " in format_table(told)


def test_two_faulty_cylinders_are_both_named():
    made = make_diagnosis()
    second = replace(made.cylinders[1], probability=0.9, misfires=40)
    pair = replace(made, cylinders=(made.cylinders[0], second, *made.cylinders[2:]))
    text = Outline(format_page(pair)).text
    assert "Cylinders 3 and 1 are misfiring." in text
    assert "code P0300 (random or multiple)" in text


def test_a_cylinder_without_lost_combustions_is_weak_and_not_misfiring():
    made = make_quiet_diagnosis(verdict="misfire")
    weak = replace(
        made.cylinders[0],
        probability=0.97,
        rank=1,
        faults=(("low_compression", 0.9), ("mixture", 0.1)),
    )
    text = Outline(format_page(replace(made, cylinders=(weak, *made.cylinders[1:])))).text
    assert "Cylinder 1 does less work than the others." in text
    assert "Segment acceleration of each cylinder" in text[: text.index("Cylinders, ranked")]


def test_text_from_outside_is_escaped():
    bad = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&{{ 7*7 }}"
    made = make_diagnosis(vehicle=bad)
    events = made.events.copy()
    events.loc[events["misfire_probability"] >= 0.5, "flags"] = bad
    made = replace(
        made,
        note=bad,
        source=bad,
        findings=(Finding("x", "error", bad, bad),),
        notes=(bad,),
        events=events,
        panels=(replace(make_primary_panel(), channel=bad, good_from=bad, unit=bad),),
        witnesses={bad: bad},
        settings={bad: [bad]},
        cylinders=(
            replace(made.cylinders[0], evidence=(bad,), next_tests=(bad,), faults=((bad, 1.0),)),
            *made.cylinders[1:],
        ),
    )
    outline = Outline(format_page(made))
    assert outline.faults == []
    assert len(outline.named("script")) == 3
    assert outline.named("img") == []
    assert not any(name.startswith("on") for _, attrs in outline.tags for name in attrs)
    assert "{{ 7*7 }}" in outline.text
    assert outline.text.count("<script>alert(1)</script>") > 10


def test_estimated_kilovolts_say_so():
    made = make_diagnosis()
    assert "are estimates" in Outline(format_page(made)).text
    rated = replace(made.job, engine=replace(made.job.engine, coil_turns_ratio=80.0))
    text = Outline(format_page(replace(made, job=rated, notes=()))).text
    assert "estimate" not in text.lower()


def test_parts_of_the_pattern_are_named_on_a_primary_only():
    names = ("dwell", "switch-off", "firing line", "spark line", "end of burn", "ring-down")
    svg = re.findall(r"<svg.*?</svg>", format_page(make_diagnosis()), re.DOTALL)
    primary = next(s for s in svg if 'id="panel-0-wide"' in s)
    assert all(f"{name}" in primary for name in names)
    current = next(s for s in svg if 'id="panel-1-wide"' in s)
    assert "spark line" not in current


def test_missing_channels_leave_their_parts_out():
    made = make_diagnosis()
    events = made.events.copy()
    gone = ["peak_current_a", "firing_voltage_kv", "burn_time_ms", "dwell_ms", "segment_accel"]
    events[[*gone, "rpm", "primary_peak_v"]] = np.nan
    bare = replace(made, events=events, panels=(), rpm=made.rpm[:0], rpm_s=made.rpm_s[:0])
    text = Outline(format_page(bare)).text
    assert "Cylinder beside cylinder" not in text
    assert "engine speed not known" in text
    assert not re.search(r"\bnan\b", text.lower())


def test_a_recording_without_a_single_firing():
    made = make_quiet_diagnosis(verdict="inconclusive")
    results = tuple(replace(c, cycles=0, features={}, faults=()) for c in made.cylinders)
    none = np.empty(0)
    empty = replace(
        made, events=made.events.head(0), cylinders=results, cycles=0, rpm=none, rpm_s=none
    )
    for verdict in ("inconclusive", "no_misfire", "misfire"):
        outline = Outline(format_page(replace(empty, verdict=verdict, duration_s=0.0)))
        assert outline.faults == []
        assert not re.search(r"\bnan\b", outline.text.lower())


def test_twelve_cylinders_have_their_rows():
    made = make_diagnosis()
    events = made.events.copy()
    events["cylinder"] = np.arange(len(events)) % 12 + 1
    results = tuple(
        replace(made.cylinders[0], cylinder=c, rank=c, probability=0.9 if c == 1 else 0.01)
        for c in range(1, 13)
    )
    job = replace(made.job, engine=Engine(12, tuple(range(1, 13)), "distributor"))
    page = format_page(replace(made, events=events, cylinders=results, job=job))
    assert "P0312" in page
    assert "cylinder 12" in page


def test_panels_with_gaps_and_flat_lines_are_drawn():
    panel = make_current_panel()
    holes = panel.suspect.copy()
    holes[:, 100:300] = np.nan
    holes[1] = np.nan
    flat = np.zeros(panel.time_ms.size)
    panels = (
        replace(panel, suspect=holes),
        replace(panel, suspect=holes[:0], suspect_time_s=()),
        replace(panel, good_low=flat, good_mid=flat, good_high=flat, suspect=flat[None, :]),
        replace(panel, good_mid=np.full_like(flat, np.nan)),
    )
    page = format_page(make_diagnosis(panels=panels))
    assert Outline(page).faults == []
    assert not re.search(r'(d|x|y|width|height)="[^"]*(nan|inf)', page)


def test_the_same_diagnosis_gives_the_same_page():
    assert format_page(make_diagnosis()) == format_page(make_diagnosis())


def test_three_hours_of_idle_stay_under_the_budget():
    made = make_diagnosis(cycles=37_500)
    assert len(made.events) == 150_000
    page = format_page(replace(made, panels=(make_primary_panel(),) * 12))
    assert len(page.encode()) < 1_500_000
    assert "further waveform pictures are left out" in page
    assert "60\u202f000 of 150\u202f000 firings" in page


def test_every_fault_type_has_words():
    assert set(FAULTS) == set(FAULT_TYPES)


def _luminance(colour):
    """Relative luminance of WCAG 2.1."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_contrast_formula_on_known_pairs():
    # WCAG 2.1: black on white 21:1; #767676 on white is the well-known 4.54:1
    assert (1 + 0.05) / (_luminance("#000000") + 0.05) == pytest.approx(21)
    assert (1 + 0.05) / (_luminance("#767676") + 0.05) == pytest.approx(4.54, abs=0.01)


def test_colours_have_contrast_in_light_dark_and_print():
    style = (resources.files("misfire.report") / "page.css").read_text(encoding="utf-8")
    blocks = re.findall(r":root \{(.*?)\}", style, re.DOTALL)
    assert len(blocks) == 3
    for block in blocks:
        colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{3,6})\b", block))
        full = {
            k: v if len(v) == 7 else "#" + "".join(2 * c for c in v[1:]) for k, v in colours.items()
        }
        for ground in ("paper", "wash"):
            for name in ("ink", "soft", "good", "suspect"):
                pair = sorted((_luminance(full[ground]), _luminance(full[name])))
                assert (pair[1] + 0.05) / (pair[0] + 0.05) >= 4.5, (name, ground)


def test_a_gap_that_never_broke_down_gives_a_lower_bound_and_no_spark_line():
    made = make_diagnosis()
    events = made.events.copy()
    lost = events["misfire_probability"] >= 0.5
    events.loc[lost, "burn_time_ms"] = 0.0
    events.loc[lost, "firing_voltage_kv"] = 30.9
    events.loc[lost, "flags"] = "no_breakdown"
    page = format_page(replace(made, events=events))
    assert "lost: no spark line" in page
    assert "lost: 0.00 ms" not in page
    assert page.count(">over 30.9</td>") == 51  # the 50 rows shown of 57, and the median of all
    assert "lost: no spark line" not in format_page(made)


def test_all_cylinders_at_fault_are_named_as_all_with_what_they_share():
    made = make_diagnosis()
    everyone = tuple(replace(c, probability=0.97, misfires=20) for c in made.cylinders)
    job = replace(made.job, engine=Engine(4, (1, 3, 4, 2), "distributor"))
    told = replace(made, cylinders=everyone, job=job, panels=())
    text = Outline(format_page(told)).text
    assert "All 4 cylinders are misfiring." in text
    assert "one coil with its lead, distributor cap and rotor serves all of them" in text
    assert "MISFIRE, all 4 cylinders very likely (97 %)" in format_table(told)
    steps = next_tests(
        "open_secondary", ignition="distributor", channels_present=(), cylinder=1, whole=True
    )
    assert "distributor cap" in steps[0]
