"""The page in a headless browser: console, network, choosing, zooming, paper, contrast."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from misfire.diagnosis.chain import diagnose
from misfire.records import FiringWaves
from misfire.report.diagnosis.page import format_page
from tests.builders.diagnoses import make_diagnosis, make_quiet_diagnosis
from tests.builders.sheets import print_marked

DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "job.toml"
MARGIN_MM = (13.0, 14.0)  # of @page in page.css: top and bottom, left and right
PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1


@pytest.fixture(scope="module")
def demo():
    return diagnose(DEMO)


WAIT_MS = 0.02  # of the drawn kicks: from switch-off to breakdown
FLAGS_AT = {  # row: what its flags say, and what has to stand at its mark (STROKE_FLAGS)
    402: ("", "breakdown 20 µs, 17.0 kV"),
    406: ("clamped bounded", "breakdown 20 µs, at least 17.0 kV (clamp reached)"),
    410: ("clipped bounded", "breakdown 20 µs, at least 17.0 kV (range reached)"),
    414: ("unresolved", "breakdown, not resolved"),
    418: ("no_breakdown", "no breakdown, over 17.0 kV"),
    422: ("leaking no_breakdown", "no spark line: the kick leaks away, reached 17.0 kV"),
}


def make_kicks():
    """Make a diagnosis whose firings have a drawn kick of 400 V, a spark line of 40 V, a ramp."""
    made = make_diagnosis()
    events = made.events.copy()
    for row, (flags, _) in FLAGS_AT.items():
        events.loc[row, "flags"] = flags
        events.loc[row, "firing_voltage_kv"] = np.nan if flags == "unresolved" else 17.0
        events.loc[row, "burn_time_ms"] = 0.0 if "no_breakdown" in flags else 1.5
    time_ms = np.concatenate((np.linspace(-4, -0.1, 60), np.arange(-0.095, 0.3, 0.005),
                              np.linspace(0.3, 3.5, 120)))  # fmt: skip
    rows = np.arange(1, 1100)
    kick = np.where(time_ms > 0, 14.0 + 26.0 * (time_ms < 1.5), np.where(time_ms > -3, 1.0, 14.0))
    kick += 360.0 * np.clip(time_ms / WAIT_MS, 0, 1) * (time_ms <= WAIT_MS + 0.001)
    ramp = np.where((time_ms > -3) & (time_ms < 0), 2.5 * (time_ms + 3), 0.0)
    good = range(1, 5)
    waves = tuple(
        FiringWaves(name, role, unit, time_ms, rows,
                    np.tile(line, (rows.size, 1)).astype(np.float32), dict.fromkeys(good, line))
        for name, role, unit, line in (
            ("coil 3", "coil_primary", "V", kick), ("coil feed", "coil_current", "A", ramp)
        )
    )  # fmt: skip
    extras = made.extras.assign(breakdown_us=1e3 * WAIT_MS)
    return replace(made, events=events, extras=extras, waves=waves)


def choose(page, row):
    page.fill("#firing-row", str(row))
    page.press("#firing-row", "Enter")


def read_span(page):
    return tuple(float(page.get_attribute("#firing-wave", f"data-{end}")) for end in ("from", "to"))


@pytest.fixture(scope="module")
def pages(demo, tmp_path_factory):
    """Write the pages once; gives their addresses."""
    folder = tmp_path_factory.mktemp("pages")
    made = {
        "demo": demo,
        "misfire": make_diagnosis(),
        "no_misfire": make_quiet_diagnosis(),
        "inconclusive": make_quiet_diagnosis(verdict="inconclusive"),
        "kicks": make_kicks(),
    }
    for name, diagnosis in made.items():
        (folder / f"{name}.html").write_text(format_page(diagnosis), encoding="utf-8")
    return {name: (folder / f"{name}.html").as_uri() for name in made}


@pytest.mark.parametrize("name", ["demo", "misfire", "no_misfire", "inconclusive", "kicks"])
@pytest.mark.parametrize("width", [1200, 360])
def test_it_opens_without_a_word_and_nothing_hangs_over(visit, name, width):
    page = visit(name, viewport={"width": width, "height": 800})
    assert page.evaluate("document.documentElement.dataset.scriptDone") is not None
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_the_surest_lost_firing_is_shown_with_its_values(visit, demo):
    page = visit("demo")
    words = page.inner_text("#firing-words")
    row = int(re.search(r"row (\d+)", words)[1])
    event = demo.events.loc[row]
    # the page keeps probabilities in steps of 1 in 254
    most = demo.events["misfire_probability"].max()
    assert event["misfire_probability"] == pytest.approx(most, abs=1 / 254)
    assert f"Cylinder {event['cylinder']} " in words
    cells = page.inner_text("#firing-values").splitlines()
    dwell = next(line.split("\t") for line in cells if line.startswith("Dwell"))
    assert float(dwell[1]) == pytest.approx(event["dwell_ms"], abs=0.00501)


def test_any_firing_can_be_chosen_by_its_row(visit, demo):
    page = visit("demo")
    for row in (100, 777, len(demo.events) - 20):
        page.fill("#firing-row", str(row))
        page.press("#firing-row", "Enter")
        event = demo.events.loc[row]
        assert f"row {row} of" in page.inner_text("#firing-words")
        assert f"Cylinder {event['cylinder']} " in page.inner_text("#firing-words")
        assert page.is_visible("#firing-wave")
        speed = next(
            line.split("\t")
            for line in page.inner_text("#firing-values").splitlines()
            if line.startswith("Engine speed")
        )
        assert float(speed[1]) == pytest.approx(event["rpm"], abs=0.51)
    page.fill("#firing-row", "99999")
    page.press("#firing-row", "Enter")
    assert "rows go from 0 to" in page.inner_text("#firing-words")


def test_the_waveform_in_the_page_is_that_of_the_recording(visit, demo):
    # the page's own unpacking (inflate, planes, residuals) against the arrays that were packed
    page = visit("demo")
    wave = next(w for w in demo.waves if w.role == "coil_current")
    row = int(demo.events.index[demo.events["cylinder"] == 3][200])  # in two channels
    page.fill("#firing-row", str(row))
    page.press("#firing-row", "Enter")
    page.select_option("#firing-channel", wave.channel)
    page.locator("#firing-wave").scroll_into_view_if_needed()
    box = page.locator("#firing-wave").bounding_box()
    step = float(np.ptp(wave.values)) / 2500
    values = wave.values[list(wave.row).index(row)]
    for share in (0.2, 0.35, 0.45):
        page.hover("#firing-wave", position={"x": share * box["width"], "y": 100})
        said = page.inner_text("#firing-point").replace("−", "-")
        at, value = map(float, re.findall(r"-?\d+\.\d+", said)[:2])
        near = values[np.abs(wave.time_ms - at) < 0.011]
        assert np.abs(near - value).min() <= step + 0.0051


@pytest.mark.parametrize("row", FLAGS_AT)
def test_the_mark_says_how_surely_the_breakdown_is_known(visit, row):
    page = visit("kicks")
    choose(page, row)
    assert f"; {FLAGS_AT[row][1]}. Over" in page.get_attribute("#firing-wave", "aria-label")
    voltage = next(
        line.split("\t")[1]
        for line in page.inner_text("#firing-values").splitlines()
        if line.startswith("Firing voltage")
    )
    flags = FLAGS_AT[row][0]
    bound = {"": "17.0", "unresolved": "–", "no_breakdown": "over 17.0"}
    leaks = "reached 17.0" if "leaking" in flags else "at least 17.0"
    assert voltage == bound.get(flags, leaks)


def test_all_channels_of_a_firing_stand_on_one_time_axis(visit):
    page = visit("kicks")
    choose(page, 402)
    assert "coil 3 and coil feed" in page.get_attribute("#firing-wave", "aria-label")
    tall = page.locator("#firing-wave").bounding_box()["height"]
    box = page.locator("#firing-wave").bounding_box()
    said = []
    for y in (0.4 * tall, tall - 60):
        page.hover("#firing-wave", position={"x": 0.5 * box["width"], "y": y})
        said.append(page.inner_text("#firing-point").replace("−", "-"))
    assert "coil 3: " in said[0]
    assert "coil feed: " in said[1]
    assert said[0].split(" ms")[0] == said[1].split(" ms")[0]  # the same instant
    page.select_option("#firing-channel", "coil feed")
    assert page.locator("#firing-wave").bounding_box()["height"] < tall
    assert page.is_hidden("#firing-heights")  # a current has no kick


def test_the_spark_line_can_be_read_beside_the_kick(visit):
    page = visit("kicks")
    choose(page, 402)
    heights = {}
    for name in ("both", "kick", "spark"):
        page.focus(f"[data-heights={name}]")
        page.keyboard.press("Enter")
        assert page.get_attribute(f"[data-heights={name}]", "aria-pressed") == "true"
        frames = page.get_attribute("#firing-wave", "data-heights").split(";")
        heights[name] = [tuple(map(float, f.split())) for f in frames]
    (kick,), (spark,) = heights["kick"], heights["spark"]
    assert kick[1] > 374  # 14 V and 360 V over it
    assert 40 < spark[1] < 100  # a line of 40 V fills a good part of the frame
    assert heights["both"] == [kick, spark]


def test_the_wave_is_zoomed_about_the_breakdown(visit):
    page = visit("kicks")
    choose(page, 402)
    whole = read_span(page)
    page.focus("#firing-wave")
    for n in range(1, 6):
        page.keyboard.press("+")
        start, stop = read_span(page)
        assert stop - start == pytest.approx((whole[1] - whole[0]) / 2**n, abs=2e-3)
    assert (start + stop) / 2 == pytest.approx(WAIT_MS, abs=2e-3)
    page.keyboard.press("ArrowRight")
    assert read_span(page)[0] == pytest.approx(start + 0.25 * (stop - start), abs=2e-3)
    page.keyboard.press("Home")
    assert read_span(page) == whole
    page.click("[data-part=breakdown]")
    start, stop = read_span(page)
    assert start < 0 < WAIT_MS < stop < 0.5


def test_the_timeline_is_zoomed_about_the_chosen_firing(visit, demo):
    page = visit("demo")
    choose(page, 500)
    page.click("[data-act=all]")
    for _ in range(3):
        page.click("[data-act=in]")
    start, span = (float(page.get_attribute("#timeline", f"data-{n}")) for n in ("start", "span"))
    assert start + span / 2 == pytest.approx(demo.events.loc[500, "time_s"], abs=0.01)


def test_keys_and_buttons_choose_and_zoom(visit, demo):
    page = visit("demo")
    lost = np.flatnonzero(demo.events["misfire_probability"] >= 0.5)
    seen = set()
    for _ in range(lost.size):
        page.click("[data-act=next]")
        seen.add(int(re.search(r"row (\d+)", page.inner_text("#firing-words"))[1]))
    assert seen == set(lost.tolist())
    page.click("[data-act=all]")
    span = float(page.get_attribute("#timeline", "data-span"))
    assert span == pytest.approx(demo.duration_s, abs=0.01)
    page.click("[data-act=in]")
    assert float(page.get_attribute("#timeline", "data-span")) == pytest.approx(span / 2, abs=0.01)
    page.focus("#timeline")
    page.keyboard.press("+")
    assert float(page.get_attribute("#timeline", "data-span")) == pytest.approx(span / 4, abs=0.01)
    page.keyboard.press("Home")
    before = page.inner_text("#firing-words")
    page.keyboard.press(".")
    after = page.inner_text("#firing-words")
    assert after != before
    assert after[:10] == before[:10]  # the next firing of the same cylinder


def test_a_click_in_the_timeline_chooses(visit, demo):
    page = visit("demo")
    # the first lost firing of cylinder 3, at its place in the third row of the picture
    event = demo.events[demo.events["misfire_probability"] >= 0.5].iloc[0]
    box = page.locator("#timeline").bounding_box()
    share = event["time_s"] / demo.duration_s
    x = 74 + share * (box["width"] - 84)
    y = 96 + 14 + 34 * (event["cylinder"] - 0.5)
    page.mouse.click(box["x"] + x, box["y"] + y)
    assert "judged lost" in page.inner_text("#firing-words")
    assert f"Cylinder {event['cylinder']} " in page.inner_text("#firing-words")


def test_the_table_of_worst_firings_leads_to_the_picture(visit):
    page = visit("demo")
    button = page.locator("[data-firing] button").nth(3)
    row = button.locator("..").get_attribute("data-firing")
    button.focus()
    page.keyboard.press("Enter")
    assert f"row {row} of" in page.inner_text("#firing-words")
    assert page.evaluate("document.activeElement.id") == "firing"


@pytest.mark.parametrize("name", ["demo", "no_misfire", "kicks"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(visit, name, scheme):
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed"
    )
    page = visit(name, color_scheme=scheme, bypass_csp=True)
    found = axe.Axe().run(page).response["violations"]
    assert [(v["id"], [n["html"][:90] for n in v["nodes"][:3]]) for v in found] == []


@pytest.mark.parametrize("name", ["demo", "misfire", "no_misfire", "inconclusive"])
@pytest.mark.parametrize("paper", PAPERS_MM)
def test_no_picture_is_cut_on_paper(visit, name, paper):
    pytest.importorskip("pypdfium2", reason="pypdfium2 is not installed")
    page = visit(name)
    texts, ends = print_marked(page, paper)
    assert len(ends) >= (5 if name in ("demo", "misfire") else 2)
    assert [pair for pair in ends if pair[0] != pair[1]] == []
    # page one holds all of its section, and nothing of the next
    assert "Before anybody touches the vehicle" in texts[0]
    assert "Cylinders, ranked" not in texts[0]
    wide = page.evaluate(
        "Math.max(...[...document.querySelectorAll('main *')].filter(e => e.offsetParent)"
        ".map(e => e.scrollWidth > e.clientWidth + 1 && e.clientWidth ? e.scrollWidth : 0))"
    )
    assert wide <= 1200


def test_the_viewer_is_not_printed(visit):
    page = visit("demo")
    page.emulate_media(media="print")
    assert page.is_hidden("#firing-wave")
    assert page.is_hidden("#timeline")
    assert page.is_visible("figure.strip svg")


def test_it_begins_with_a_lost_firing_whose_waveform_is_there(browser, demo, tmp_path):
    # the surest of all is left out, as in a long recording with more losses than the page holds
    events = demo.events.copy()
    lost = events.index[events["misfire_probability"] >= 0.5]
    surest = lost[0]
    events.loc[lost, "misfire_probability"] = 0.9
    events.loc[surest, "misfire_probability"] = 1.0
    waves = tuple(
        replace(w, row=w.row[w.row != surest], values=w.values[w.row != surest]) for w in demo.waves
    )
    # one more firing than there are waveforms, so that the page says what it holds
    text = format_page(replace(demo, events=events, waves=waves))
    (tmp_path / "some.html").write_text(text, encoding="utf-8")
    page = browser.new_page()
    page.goto((tmp_path / "some.html").as_uri())
    assert page.is_visible("#firing-wave")
    assert page.is_visible("#firing-channel")
    assert f"row {surest} of" not in page.inner_text("#firing-words")
    assert "judged lost" in page.inner_text("#firing-words")
    assert f": {lost.size - 1} of the lost ones" in page.inner_text(".viewer .aside")
    page.fill("#firing-row", str(surest))
    page.press("#firing-row", "Enter")
    assert "not in this page" in page.inner_text("#firing-words")
    assert page.is_hidden("#firing-channel")
    page.close()


def make_long() -> object:
    """Make an hour's recording: 2.4 s of firings a hundred thousand times, with many waveforms."""
    made = make_diagnosis(cycles=25_000)
    rng = np.random.default_rng(3)
    lost = np.flatnonzero(made.events["misfire_probability"] >= 0.5)
    rows = np.unique(np.concatenate((lost, np.linspace(0, 99_990, 2400).astype(int))))
    time_ms = np.linspace(-4, 3.5, 270)
    waves = tuple(
        FiringWaves(
            f"coil {k}",
            "coil_primary",
            "V",
            time_ms,
            rows,
            (40 * (time_ms > 0) + rng.normal(0, 1.0, (rows.size, time_ms.size))).astype(np.float32),
            {c: 40.0 * (time_ms > 0) for c in range(1, 5)},
        )
        for k in range(1, 5)
    )
    return replace(made, waves=waves)


def test_an_hour_stays_small_and_opens(browser, tmp_path):
    page_text = format_page(make_long())
    assert len(page_text.encode()) < 1_500_000
    (tmp_path / "long.html").write_text(page_text, encoding="utf-8")
    page = browser.new_page()
    errors = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.goto((tmp_path / "long.html").as_uri())
    assert "coil" in page.inner_text("#firing-channel")
    assert "lost" in page.inner_text("#firing-words")
    assert page.inner_text(".viewer .aside").startswith("The page holds the waveforms of up to")
    assert errors == []
    page.close()
