"""The comparison, fleet and connection pages in a browser: quiet, usable, whole on paper."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from misfire.comparison.comparing import compare
from misfire.diagnosis.chain import diagnose
from misfire.fleet.summary import build_fleet
from misfire.hookup.plan import HookupWish, make_engine, plan_hookup
from misfire.measuring.showing import show_firing
from misfire.report.comparison.page import format_comparison_page
from misfire.report.diagnosis.files import write_reports
from misfire.report.diagnosis.page import format_page
from misfire.report.fleet.page import format_fleet_page
from misfire.report.hookup.page import format_hookup
from misfire.report.pictures.firing_files import write_picture
from tests.builders.diagnoses import make_diagnosis, make_quiet_diagnosis
from tests.builders.sheets import (
    compute_contrast,
    compute_luminance,
    find_clashes,
    print_marked,
    read_colours,
)
from tests.report.test_fleet_page import FAILED, make_many

PAGES = ("cured", "unchanged", "worse", "fleet", "hookup")
DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "job.toml"
PICTURES = {"cured": 3, "unchanged": 3, "worse": 3, "fleet": 1, "hookup": 3}  # at least so many


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Write the pages once; gives their addresses."""
    folder = tmp_path_factory.mktemp("pages")
    heard = {str(c): ("burn", "current", "torque") for c in (1, 2, 3, 4)}
    write_reports(replace(make_diagnosis(), witnesses=heard), folder / "bad")
    write_reports(replace(make_quiet_diagnosis(), witnesses=heard), folder / "good")
    worse = compare(folder / "good", folder / "bad")
    worse["warnings"] = ["the job cards name two vehicles"]
    plan = plan_hookup(make_engine(4, ignition="coil_on_plug")[0], HookupWish(inputs=4))
    made = {
        "cured": format_comparison_page(compare(folder / "bad", folder / "good")),
        "unchanged": format_comparison_page(compare(folder / "bad", folder / "bad")),
        "worse": format_comparison_page(worse),
        "fleet": format_fleet_page(build_fleet(make_many(30), [FAILED])),
        "hookup": format_hookup(plan),
    }
    if DEMO.is_file():
        made["report"] = format_page(diagnose(DEMO))
        view = show_firing(DEMO, time_s=24.09)
        write_picture(view, folder / "show.svg")
        made["show"] = f"<!DOCTYPE html>{(folder / 'show.svg').read_text(encoding='utf-8')}"
    for name, text in made.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return {name: (folder / f"{name}.html").as_uri() for name in made}


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize(("width", "scheme"), [(1200, "light"), (390, "dark")])
def test_it_is_quiet_fits_and_axe_finds_nothing(visit, name, width, scheme):
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed"
    )
    page = visit(name, width=width, color_scheme=scheme, bypass_csp=True)
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    found = axe.Axe().run(page).response["violations"]
    assert [(v["id"], [n["html"][:90] for n in v["nodes"][:3]]) for v in found] == []


@pytest.mark.parametrize("name", PAGES)
def test_letters_in_pictures_can_be_read_on_a_phone(visit, name):
    page = visit(name, width=390)
    # a picture that is drawn smaller than it was made takes its letters with it
    sizes = page.evaluate(
        """() => [...document.querySelectorAll("svg[role=img]")]
        .filter(s => s.getClientRects().length && s.querySelector("text"))
        .map(s => s.getBoundingClientRect().width / s.viewBox.baseVal.width *
          parseFloat(getComputedStyle(s.querySelector("text")).fontSize))"""
    )
    assert len(sizes) >= PICTURES[name] or name == "fleet"
    assert min(sizes, default=10.0) >= 9.0


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_no_picture_is_cut_on_paper(visit, name, paper):
    pytest.importorskip("pypdfium2", reason="pypdfium2 is not installed")
    texts, ends = print_marked(visit(name), paper)
    assert len(ends) >= PICTURES[name]
    assert [pair for pair in ends if pair[0] != pair[1]] == []
    assert all(re.sub(r"Q[az]\d+Q", "", text).strip() for text in texts)  # no empty sheet


@pytest.mark.parametrize("name", [*PAGES, "report", "show"])
@pytest.mark.parametrize("width", [1200, 390])
def test_no_word_in_a_picture_is_cut_or_lies_on_another(visit, pages, name, width):
    if name not in pages:
        pytest.skip("data_demo holds no recording yet")
    assert find_clashes(visit(name, width=width)) == []


def test_words_that_clash_would_be_noticed(visit):
    page = visit("hookup")
    page.evaluate(
        """() => { const t = document.querySelectorAll("svg[role=img] text"), a = t[3], b = t[4];
        b.setAttribute("x", a.getAttribute("x")); b.setAttribute("y", a.getAttribute("y"));
        t[5].setAttribute("x", "-300"); }"""
    )
    found = find_clashes(page)
    assert any(pair[0] == "outside" for pair in found)
    assert any(pair[0] != "outside" for pair in found)


@pytest.mark.parametrize("name", ["cured", "fleet"])
def test_meaning_survives_a_grey_printer(visit, name):
    page = visit(name)
    page.emulate_media(media="print")
    colours = read_colours(page)
    light = {key: compute_luminance(value) for key, value in colours.items()}
    assert light["suspect"] < light["good"] < light["band"] < light["paper"]
    assert compute_contrast(colours["suspect"], colours["good"]) > 1.4
    assert compute_contrast(colours["good"], colours["band"]) > 3  # WCAG 1.4.11, from memory
    for key in ("ink", "soft", "good", "suspect"):
        assert compute_contrast(colours[key], colours["paper"]) >= 4.5  # WCAG 1.4.3, from memory


def test_the_word_of_a_comparison_has_its_sign(visit):
    for name in ("cured", "unchanged", "worse"):
        page = visit(name)
        assert page.inner_text("h1").lower().startswith(name)
        assert page.locator(f"h1 .seal.{name}").count() == 1


def test_wide_parts_are_reached_by_the_keyboard(visit):
    for name in PAGES:
        page = visit(name, width=390)
        reached = page.evaluate(
            """() => [...document.querySelectorAll("main *")].filter(e => e.scrollWidth >
            e.clientWidth + 1 && ["auto", "scroll"].includes(getComputedStyle(e).overflowX))
            .map(e => e.tabIndex)"""
        )
        assert set(reached) <= {0}


def test_the_fleet_is_sorted_and_opened_by_the_keyboard(visit):
    page = visit("fleet")
    page.focus("#fleet th[data-key=short] button")
    page.keyboard.press("Enter")
    assert page.get_attribute("#fleet th[data-key=short]", "aria-sort") == "descending"
    shares = page.locator("#rows > tr > td:nth-child(8)").all_inner_texts()
    values = np.array([float(s.split("\u00a0")[0]) for s in shares])
    assert (np.diff(values) <= 0).all()
    page.focus("#rows > tr:first-child button.open")
    page.keyboard.press("Space")
    assert page.locator("#rows tr.more").count() == 1
    assert page.get_attribute("#rows > tr:first-child button.open", "aria-expanded") == "true"


def test_cards_on_a_phone_name_their_numbers(visit):
    page = visit("fleet", width=390)
    first = page.locator("#rows > tr").first
    assert first.evaluate("e => getComputedStyle(e).display") == "flex"
    labels = first.locator("[data-label]").evaluate_all("list => list.map(e => e.dataset.label)")
    assert {"probability", "lost / 200", "lost / 1000", "recordings"} <= set(labels)
