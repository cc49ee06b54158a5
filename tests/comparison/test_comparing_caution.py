"""What keeps a comparison from the bold word: residues, levels half way back, lost numbers."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from misfire.comparison.comparing import compare_sides
from misfire.comparison.side import number_alike
from misfire.comparison.views import NO_STEP, Excess, View
from misfire.dsp.chances import Count
from tests.comparison.test_comparing import add_wheel, draw_lost, make_side, make_silent

SIX = (1, 5, 3, 6, 2, 4)


def make_view(own, others, before, **more):
    """Make what is seen of a cylinder whose firings before were plainly odd."""
    odd = Excess(before, Count(1, 3000), 3.0, 1e-9, before)
    none = Excess(Count(0, 0), Count(0, 0), 3.0, 1.0)
    return View("segment_accel", odd, none, none, own, NO_STEP, residue=(own, others), **more)


def test_one_firing_with_the_signature_left_is_not_cured():
    """One of 800 is left, and none of the others' 10000 firings in both recordings is like it."""
    before = Count(25, 700)
    assert make_view(Count(1, 800), Count(0, 10000), before).has_residue
    # as rare among sound cylinders (Fisher's exact test as scipy has it): an accident
    own, others = Count(1, 800), Count(20, 10000)
    table = [[own.lost, own.judged - own.lost], [others.lost, others.judged - others.lost]]
    assert stats.fisher_exact(table, alternative="greater").pvalue > 0.2
    assert not make_view(own, others, before).has_residue
    # sound cylinders that differ among themselves as much as it does from them
    assert not make_view(own, Count(0, 10000), before, residue_spread=0.4).has_residue


def test_a_last_lost_firing_in_the_recording_after_is_no_cure():
    before = make_side(lost=draw_lost(0.04, 600, 1), cycles=600)
    rest = make_silent(make_side(lost=[311], cycles=700, seed=2))
    said = compare_sides(before, rest)
    assert said["verdict"] == "improved"
    assert any("1 of 700 firings" in r for r in said["reasons"])
    assert compare_sides(before, make_silent(make_side(cycles=700, seed=2)))["verdict"] == "cured"


def test_a_coil_of_all_cylinders_that_still_drops_out_is_no_cure():
    """Sound cylinders are none to be had: every cylinder shows it, the accused one as well."""
    rng = np.random.default_rng(3)
    sides = []
    for seed, share in ((1, 0.10), (2, 0.015)):
        side = make_side(seed=seed)
        side.events["dwell_ms"] = 3.0
        side.events["segment_accel"] = np.nan
        odd = rng.random(len(side.events)) < share
        side.events.loc[odd, "dwell_ms"] = 1.0
        mine = odd & (side.column("cylinder") == 3) & (seed == 1)
        side.events.loc[mine, "misfire_probability"] = 0.97
        sides.append(side)
    sides[0].summary["verdict"] = "misfire"
    sides[0].summary["cylinders"][2]["probability"] = 0.9
    said = compare_sides(*sides)
    assert said["verdict"] == "improved"
    assert any("no usual dwell" in r for r in said["reasons"])


def test_a_level_only_part_of_the_way_back_is_an_improvement():
    """A leak that was made smaller: no firing is lost, but the cylinder still works less."""
    wheel, rng = dict.fromkeys(SIX, 0.0), np.random.default_rng(5)
    sides = []
    for seed, lacks in ((1, -90.0), (2, -25.0), (3, 0.0)):
        side = make_side(order=SIX, cycles=200, seed=seed)
        mine = side.column("cylinder") == 3
        side.events["segment_accel"] += 14.0 * rng.standard_normal(len(side.events))
        side.events.loc[mine, "segment_accel"] += lacks  # the second is less than two spreads
        sides.append(add_wheel(side, wheel))
    before, less, sound = sides
    before.events.loc[before.column("cylinder") == 3, "misfire_probability"] = 0.9
    before.summary["verdict"] = "misfire"
    before.summary["cylinders"][2]["probability"] = 0.99
    said = compare_sides(before, less)
    assert said["verdict"] == "improved"
    assert any("still lacks torque beside the other cylinders" in r for r in said["reasons"])
    assert compare_sides(before, sound)["verdict"] == "cured"


@pytest.mark.parametrize("unnumbered", ["before", "after", "both"])
def test_numbers_that_nothing_told_are_turned_to_fit(unnumbered):
    """The same fault under another number is not a cure with a new fault beside it."""
    note = {"quality": [{"code": "cylinders_unknown"}]}
    before = make_side(lost=draw_lost(0.2, 600, 1))
    after = make_side(lost=draw_lost(0.2, 600, 2), lost_cylinder=2, seed=2)
    if unnumbered != "after":
        before = replace(before, summary=before.summary | note)
    if unnumbered != "before":
        after = replace(after, summary=after.summary | note)
    first, second = number_alike(before, after)
    lost = [
        {int(c) for c in s.column("cylinder")[s.column("misfire_probability") > 0.5]}
        for s in (first, second)
    ]
    assert lost[0] == lost[1]
    said = compare_sides(before, after)
    assert (said["verdict"], said["new_fault"]) == ("unchanged", [])
    assert any("numbers were turned" in n for n in said["notes"])
    named = compare_sides(make_side(lost=draw_lost(0.2, 600, 1)), after)
    assert (named["new_fault"] == [2]) == (unnumbered == "before")


def test_a_coil_that_alone_went_back_to_the_others_was_at_fault():
    """5 % of peak current, and nothing lost: told by the other coils, which agree within 0.5 %."""
    rng = np.random.default_rng(4)
    sides = []
    for seed, off in ((1, 0.05), (2, 0.0), (3, 0.05)):
        side = make_side(seed=seed)
        current = 8.0 * (1 + 0.004 * rng.standard_normal(len(side.events)))
        mine = side.column("cylinder") == 3
        side.events["peak_current_a"] = np.where(mine, (1 + off) * current, current)
        sides.append(side)
    before, mended, same = sides
    said = compare_sides(before, mended)
    assert said["verdict"] == "cured"
    assert [c["cylinder"] for c in said["cylinders"] if c["suspect"]] == [3]
    assert compare_sides(before, same)["verdict"] == "unchanged"
    assert compare_sides(mended, before)["verdict"] == "unchanged"  # a trait is no new fault
    half = mended.events["cylinder"].to_numpy() == 3
    half &= rng.random(half.size) < 0.2
    mended.events.loc[half, "peak_current_a"] *= 1.05  # strokes that still stand apart
    assert compare_sides(before, mended)["verdict"] != "cured"
