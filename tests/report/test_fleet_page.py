"""The fleet page: its words, what is escaped, and 5000 vehicles in a real browser."""

import json
import re
import time

import numpy as np
import pytest

from misfire.fleet.digest import count_windows
from misfire.fleet.summary import COLUMNS, build_fleet, list_rows
from misfire.records import FAULT_TYPES
from misfire.report.fleet.page import format_fleet_page
from misfire.report.fleet.table import format_fleet_csv, format_fleet_lines

FAILED = {"name": "lane 3/bad.h5", "kind": "store", "code": "format", "message": "is cut short"}


def make_row(number, rng, *, vehicle=None, recorded=None, burn=1.5):
    """Make the digest of one recording with numbers drawn at random."""
    verdict = rng.choice(["misfire", "no_misfire", "no_misfire", "no_misfire", "inconclusive"])
    lost = rng.random(400) < (rng.choice([0.002, 0.03, 0.2]) if verdict == "misfire" else 0.0)
    judged = np.ones(400, bool)
    bad = int(rng.integers(1, 5))
    return {
        "vehicle": vehicle or f"van-{number:05d}",
        "note": "stumbles warm",
        "crank_fault": None,
        "ailing": [],
        "recorded": recorded,
        "verdict": str(verdict),
        "dtc": f"P030{bad}" if verdict == "misfire" else None,
        "duration_s": 60.0,
        "cycles": 100,
        "rpm": 800,
        "suspects": [bad] if verdict == "misfire" else [],
        "probability": round(float(rng.uniform(0.6, 1)), 4) if verdict == "misfire" else 0.01,
        "fault": str(rng.choice(FAULT_TYPES)) if verdict == "misfire" else None,
        "fault_probability": 0.6 if verdict == "misfire" else None,
        "misfires": int(lost.sum()),
        "judged": 400,
        "windows": {
            "200": count_windows(lost, judged, window=400),
            "1000": count_windows(lost, judged, window=2000),
        },
        "cylinders": [
            {"cylinder": c, "probability": 0.1, "misfires": 0, "cycles": 100}
            | {"burn_time_ms": burn if c == 1 else 1.8, "peak_current_a": 7.5}
            for c in range(1, 5)
        ],
        "evidence": [f"{int(lost.sum())} of 400 power strokes lost"],
        "next_tests": ["Swap the coil with another cylinder's and record again."],
        "notes": ["the recording is short"] if verdict == "inconclusive" else [],
        "quality": [],
        "name": f"lane/{number}/job.toml",
        "folder": f"van-{number:05d}-0123456789abcdef",
        "gone": False,
    }


def make_many(count):
    """Make a fleet, one vehicle of which wears in cylinder 1 over eight recordings."""
    rng = np.random.default_rng(0)
    rows = [make_row(k, rng) for k in range(count - 1)]
    for k in range(8):
        day = f"2026-0{k + 1}-01"
        rows.append(
            make_row(count + k, rng, vehicle="worn", recorded=day, burn=1.5 - 0.06 * k)
            | {"verdict": "no_misfire", "suspects": [], "fault": None, "misfires": 0}
        )
    return rows


@pytest.fixture(scope="module")
def small():
    """Make thirty vehicles and a failure."""
    return build_fleet(make_many(30), [FAILED])


def read_data(page):
    """Read the data that travels in the page."""
    return json.loads(
        re.search(r'<script type="application/json" id="data">(.*?)</script>', page)[1]
    )


def test_the_order_in_which_they_were_judged_does_not_matter(small):
    rows = make_many(30)
    assert build_fleet(rows[::-1], [FAILED]) == small
    assert format_fleet_page(build_fleet(rows[::-1], [FAILED])) == format_fleet_page(small)


def test_the_page_holds_every_vehicle_and_failure(small):
    page = format_fleet_page(small)
    data = read_data(page)
    assert len(data["vehicles"]) == 30
    ranks = [v[data["keys"].index("rank")] for v in data["vehicles"]]
    assert ranks == list(range(1, 31))
    assert "lane 3/bad.h5" in page
    assert "Before anybody touches a vehicle" in page
    assert re.findall(r"https?://(?!www\.w3\.org/2000/svg)", page) == []  # asks for nothing


def test_wear_puts_a_sound_vehicle_on_the_plan(small):
    worn = next(v for v in small["vehicles"] if v["id"] == "worn")
    assert worn["urgency"] == "plan"
    assert [(t["cylinder"], t["grade"]) for t in worn["trends"]] == [(1, "drift")]
    assert worn["trends"][0]["n"] == 8


def test_what_comes_from_outside_is_escaped():
    evil = "</script><img src=x onerror=alert(1)>"
    row = make_row(1, np.random.default_rng(0), vehicle=evil) | {"note": evil, "notes": [evil]}
    page = format_fleet_page(build_fleet([row], [FAILED | {"name": evil, "message": evil}]))
    assert "<img" not in page
    assert page.count("</script>") == 2
    assert read_data(page)["vehicles"][0][2] == evil


def test_a_spreadsheet_runs_nothing():
    row = make_row(1, np.random.default_rng(0), vehicle="=HYPERLINK(1)")
    fleet = build_fleet([row], [])
    text = format_fleet_csv(list_rows(fleet), COLUMNS)
    assert "'=HYPERLINK(1)" in text
    assert text.splitlines()[0] == ",".join(COLUMNS)


def test_no_recording_at_all():
    fleet = build_fleet([], [])
    assert "No vehicle could be judged" in format_fleet_page(fleet)
    assert format_fleet_lines(fleet).count("\n") == 1
    assert list_rows(fleet) == []


def test_five_thousand_vehicles_stay_usable(tmp_path, browser):
    place = tmp_path / "fleet.html"
    place.write_text(format_fleet_page(build_fleet(make_many(5000), [FAILED] * 1)), "utf-8")
    assert place.stat().st_size < 8_000_000
    page = browser.new_page(viewport={"width": 1200, "height": 900})
    errors, asked, times = [], [], {}
    page.on("pageerror", lambda e: errors.append(str(e)))
    page.on("console", lambda m: errors.append(m.text) if m.type == "error" else None)
    page.on("request", lambda r: asked.append(r.url))

    def measure(name, act):
        started = time.perf_counter()
        act()
        times[name] = time.perf_counter() - started

    def count_shown():
        return page.locator("#rows > tr:not(.more)").count()

    measure("open", lambda: page.goto(place.as_uri()))
    page.wait_for_selector("html[data-ready='5000']", state="attached")
    assert page.locator("#count").inner_text() == "5000 vehicles"
    assert count_shown() == 100
    measure("search", lambda: page.fill("#find", "van-01234"))
    assert page.locator("#count").inner_text() == "1 of 5000 vehicles"
    assert page.locator("#rows th a").inner_text() == "van-01234"
    assert page.locator("#rows th a").get_attribute("href") == (
        "results/van-01234-0123456789abcdef/report.html"
    )
    page.click("#clear")
    # not wait_for_function: its polling evaluates text, which the page's policy forbids
    page.locator("#count", has_text=re.compile(r"^5000 vehicles$")).wait_for()
    measure("filter", lambda: page.select_option("#by-class", "now"))
    assert page.locator("#rows tr.now").count() == count_shown()
    page.select_option("#by-class", "")
    measure("sort", lambda: page.click("#fleet th[data-key=short] button"))
    assert page.locator("#fleet th[data-key=short]").get_attribute("aria-sort") == "descending"
    shares = page.locator("#rows > tr > td:nth-child(8)").all_inner_texts()
    values = [float(s.split("\u00a0")[0]) for s in shares]
    assert values == sorted(values, reverse=True)
    measure("next page", lambda: page.click("#next"))
    assert page.locator("#page").inner_text() == "page 2 of 50"
    page.check("#by-drift")
    assert page.locator("#count").inner_text() == "1 of 5000 vehicles"
    page.click("#rows button.open")
    assert "Mann-Kendall" in page.locator("#rows tr.more").inner_text()
    assert page.locator("#rows tr.more .past a").count() == 8
    assert errors == []
    assert asked == [place.as_uri()]
    # Measured on a busy machine of two cores: 1.3 s to open, at most 0.5 s for each act. What is
    # asked for here is that nobody thinks it hangs.
    assert times["open"] < 10
    assert max(v for k, v in times.items() if k != "open") < 3, times
    (tmp_path / "times.json").write_text(json.dumps(times))


@pytest.mark.parametrize("width", [1200, 500])
def test_nothing_hangs_over_the_side(tmp_path, browser, small, width):
    place = tmp_path / "fleet.html"
    place.write_text(format_fleet_page(small), "utf-8")
    page = browser.new_page(viewport={"width": width, "height": 900})
    page.goto(place.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_without_scripts_the_first_vehicles_stand_there(tmp_path, browser):
    place = tmp_path / "fleet.html"
    place.write_text(format_fleet_page(build_fleet(make_many(80), [FAILED])), "utf-8")
    page = browser.new_context(java_script_enabled=False).new_page()
    page.goto(place.as_uri())
    assert page.locator("#rows tr").count() == 50
    assert "30 more vehicles" in page.locator("noscript").inner_text()
    assert not page.locator("#filters").is_visible()
