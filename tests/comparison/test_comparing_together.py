"""Two recordings looked at as one: what is new, what bears both marks, which numbers fit."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from misfire.comparison.comparing import compare_sides
from misfire.comparison.lack import KEPT, OTHER_WHEEL, Lack, _find_other_wheel, find_worked
from misfire.comparison.rates import RISK_CURED
from misfire.comparison.side import number_alike
from misfire.comparison.views import NO_STEP, Excess, View
from misfire.dsp.chances import Count, compute_outlying
from misfire.report.comparison.files import write_comparison
from tests.comparison.test_comparing import draw_lost, make_side, make_silent


def test_one_other_value_is_judged_by_what_is_usual():
    # reference: scipy; one prediction from one value has sqrt(2) times the error
    usual, error, value, weight = 3.0, 4.0, 12.0, 6
    expected = 2 * stats.t(weight).sf(value / (math.hypot(usual, error) * math.sqrt(2)))
    found = compute_outlying(value, np.zeros(1), error, usual=usual, weight=weight)
    assert found == pytest.approx(expected, rel=1e-9)
    assert compute_outlying(value, np.zeros(1), error, usual=usual, weight=0) == 1.0


def test_another_wheel_is_told_by_bayes_rule():
    # reference: both normal laws multiplied out with scipy, the middle summed over a wide grid
    changes, error, wheel = np.array([0.4e-4, -0.9e-4, 0.2e-4]), 0.5e-4, 4.8e-4
    middle = np.linspace(-8e-3, 8e-3, 80_001)[:, None]
    weight = [
        stats.norm(middle, math.hypot(usual, error)).pdf(changes).prod(axis=1).sum()
        for usual in (math.sqrt(2) * wheel, KEPT)
    ]
    expected = OTHER_WHEEL * weight[0] / (OTHER_WHEEL * weight[0] + (1 - OTHER_WHEEL) * weight[1])
    assert _find_other_wheel(changes, error, wheel) == pytest.approx(expected, rel=1e-3)
    assert _find_other_wheel(10 * changes, error, wheel) > 0.9


def test_only_what_has_become_more_is_new():
    """A cylinder whose strokes are odd both times is no new fault beside a cured one."""
    rng = np.random.default_rng(9)
    sides = [make_side(lost=draw_lost(0.1, 600, 1), seed=1), make_side(seed=2)]
    for side in sides:
        side.events["dwell_ms"] = 3.0
        odd = (side.column("cylinder") == 2) & (rng.random(len(side.events)) < 0.25)
        side.events.loc[odd, "burn_time_ms"] *= 2.0
    said = compare_sides(*sides)
    assert (said["verdict"], said["new_fault"]) == ("cured", [])
    sides[0].events["burn_time_ms"] = 1.5  # now it is: none of them before
    assert compare_sides(*sides)["new_fault"] == [2]


def test_a_new_accusation_asks_for_more_losses_than_before():
    before = make_side(lost=draw_lost(0.1, 600, 1), seed=1)
    after = make_side(seed=2)
    after.summary["verdict"] = "misfire"
    after.summary["cylinders"][1]["probability"] = 0.7
    mine = np.flatnonzero(after.column("cylinder") == 2)
    after.events.loc[mine[[50, 200, 400]], "misfire_probability"] = 0.9
    # reference: scipy; three of 600 against none of 600
    assert stats.fisher_exact([[3, 597], [0, 600]], alternative="greater").pvalue > 0.05
    assert compare_sides(before, after)["new_fault"] == []
    after.events.loc[mine[100:110], "misfire_probability"] = 0.9
    assert compare_sides(before, after)["new_fault"] == [2]


@pytest.mark.parametrize("together", [False, True])
def test_lost_firings_with_two_marks_leave_none_with_one(together):
    """Before, lost firings lacked spark and torque; one that lacks only one of them is another."""
    sides = [make_side(lost=draw_lost(0.1, 600, 1), seed=1), make_side(cycles=480, seed=2)]
    for side in sides:
        side.events["dwell_ms"] = 3.0
    before, after = sides
    gone = before.column("misfire_probability") > 0.5
    before.events.loc[gone, "burn_time_ms"] = np.nan
    mine = np.flatnonzero(after.column("cylinder") == 3)
    weak, dark = mine[[100]], mine[[150]]
    after.events.loc[weak, "segment_accel"] -= 80.0
    after.events.loc[weak if together else dark, "burn_time_ms"] = 0.05
    make_silent(after)
    assert (compare_sides(before, after)["verdict"] == "cured") != together


def test_numbers_are_turned_by_torque_where_nothing_is_lost():
    note = {"quality": [{"code": "cylinders_unknown"}]}
    before = make_side(cycles=200, lost=range(200), seed=1)
    before.events.loc[before.column("cylinder") == 3, "segment_accel"] = -80.0
    after = make_side(cycles=200, seed=2)
    after.events.loc[after.column("cylinder") == 4, "segment_accel"] -= 30.0
    before, after = (replace(s, summary=s.summary | note) for s in (before, after))
    _, turned = number_alike(before, after)
    lacks = {c: np.median(turned.column("segment_accel")[turned.column("cylinder") == c])
             for c in turned.order}  # fmt: skip
    assert min(lacks, key=lacks.get) == 3
    assert compare_sides(before, after)["verdict"] == "improved"


def test_rare_dark_strokes_that_all_cylinders_have_are_no_rest_of_the_fault():
    rng = np.random.default_rng(4)
    sides = [make_side(lost=draw_lost(0.03, 600, 1), seed=1), make_side(cycles=800, seed=2)]
    for side in sides:
        side.events["dwell_ms"] = 3.0
        side.events["segment_accel"] = np.nan  # no crank recorded
        dark = rng.random(len(side.events)) < 0.005
        side.events.loc[dark | (side.column("misfire_probability") > 0.5), "burn_time_ms"] = 0.05
    before, after = sides
    own = (after.column("cylinder") == 3) & (after.column("burn_time_ms") < 0.1)
    assert own.sum() >= 2
    assert compare_sides(before, after)["verdict"] == "cured"
    more = np.flatnonzero(after.column("cylinder") == 3)[::80]
    after.events.loc[more, "burn_time_ms"] = 0.05
    assert compare_sides(before, after)["verdict"] != "cured"


def test_a_crank_that_could_not_be_read_is_missed_after():
    codes = [[{"code": "no_sync"}, {"code": "no_crank"}], [{"code": "no_crank"}]]
    before = make_side(lost=draw_lost(0.1, 600, 1), witnesses=("current", "switching"))
    after = make_side(seed=2, witnesses=("current", "switching"))
    for side in (before, after):
        side.events[["segment_accel", "burn_time_ms"]] = np.nan
        side.events["dwell_ms"] = 3.0
    notes = [
        replace(s, summary=s.summary | {"quality": c})
        for s, c in zip((before, after), codes, strict=True)
    ]
    said = compare_sides(*notes)
    assert said["verdict"] == "not comparable"
    assert any("a crank channel was recorded before" in r for r in said["reasons"])
    assert compare_sides(before, after)["verdict"] == "cured"


def test_what_both_tests_ask_of_both_recordings():
    """Odd beside the others by 0.5 %, and beside itself: enough for one of four, not of twelve."""
    odd = Excess(Count(12, 300), Count(10, 900), 3.0, 5e-3, Count(9, 300))
    none = Excess(Count(0, 0), Count(0, 0), 3.0, 1.0)
    view = View("segment_accel", odd, none, none, Count(0, 400), NO_STEP, has_others=True)
    assert stats.fisher_exact([[12, 288], [0, 400]], alternative="greater").pvalue < 5e-3
    assert RISK_CURED == 0.025
    assert view.has_odd
    assert replace(view, tries=4).has_odd  # 4 x 0.5 % is less than 2.5 %
    assert not replace(view, tries=12).has_odd
    assert not replace(view, has_others=False).has_odd
    assert not replace(view, before=replace(odd, bound=2.0)).has_odd  # only a rougher run


def test_the_page_says_what_was_counted_and_names_pairs(tmp_path):
    before = make_side(lost=draw_lost(0.1, 600, 1))
    after = make_side(cycles=1200, seed=2)
    after.events.loc[after.column("cycle") < 500, "rpm"] = 2500.0
    for side in (before, after):
        side.events["segment_accel"] = np.nan  # no crank recorded
    said = compare_sides(replace(before, mates={1: 4, 4: 1, 2: 3, 3: 2}), after)
    assert said["headline"] == "Cured: cylinder 2 or 3 no longer fails"
    write_comparison(said, tmp_path)
    page = (tmp_path / "compare.html").read_text(encoding="utf-8")
    assert "of the firings at speeds that both recordings have" in page
    assert "Cylinder 2 or 3: cured" in page
    assert page.count("Cylinder 2 or 3: cured") == 1
    assert "each of the two shows the count of both" in page
    assert f"{100 * RISK_CURED:g}&nbsp;% risk" in page


def make_lack(torque, rpm, cylinder, lost):
    square = np.square(rpm * np.pi / 30.0)
    none = np.zeros(rpm.size, bool)
    part = torque / square
    return Lack((1, 2), cylinder, part, square, part, 1.0, part, none, none, ~lost)


def test_a_firing_that_gave_its_torque_was_not_lost_at_any_speed():
    """A lost combustion lacks the same torque at 900 and at 2700 rev/min: a ninth of omega^2."""
    rng = np.random.default_rng(4)
    rpm, cylinder = np.repeat([900.0, 2700.0], 60), np.tile([1, 2], 60)
    lost = (cylinder == 1) & (np.arange(120) % 4 == 0)
    noise = rng.normal(0.0, 5.0, 120)
    before = make_lack(100.0 * lost + noise, rpm, cylinder, lost)
    weak = (cylinder == 1) & (np.arange(120) % 10 == 0)
    after = make_lack(90.0 * weak + noise, rpm, cylinder, np.zeros(120, bool))
    worked = find_worked((before, after), lost, (1,))
    assert worked is not None
    assert worked[0].tolist() == (~lost).tolist()
    assert worked[1].tolist() == (~weak).tolist()
    rough = make_lack(30.0 * lost + 10.0 * noise, rpm, cylinder, lost)
    assert find_worked((rough, after), lost, (1,)) is None
    assert find_worked((None, after), lost, (1,)) is None


def test_a_recording_after_that_settles_nothing_proves_no_cure():
    before = make_side(lost=draw_lost(0.1, 600, 1), seed=1)
    after = make_side(seed=2)
    assert compare_sides(before, after)["verdict"] == "cured"
    after.summary["verdict"] = "inconclusive"
    assert compare_sides(before, after)["verdict"] == "cured"  # but not for this cylinder's sake
    after.summary["cylinders"][2]["probability"] = 0.2
    assert compare_sides(before, after)["verdict"] == "improved"
    after.summary["cylinders"][1]["probability"] = 0.4  # the doubt is about another cylinder
    assert compare_sides(before, after)["verdict"] == "cured"
