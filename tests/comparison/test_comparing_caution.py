"""What keeps a comparison from saying `cured`: firings, levels and suspicions that are left."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from misfire.comparison.comparing import compare_sides
from misfire.comparison.conditions import find_match
from misfire.comparison.features import compute_torque_left
from misfire.comparison.side import match_numbers
from misfire.comparison.signs import USUAL_ALARMS, Sign
from misfire.dsp.chances import Count
from tests.comparison.test_comparing import draw_lost, make_side, make_silent, mark, rows_of

SIX = (1, 5, 3, 6, 2, 4)
NONE_OF_3000 = (Count(0, 3000), Count(0, 3000))


def make_sign(before, after, others=NONE_OF_3000, **more):
    """Make the counts of a cylinder, all at like speeds."""
    kinds = {"chance_before": 1e-9, "chance_after": 1.0} | more
    return Sign("weak", before, after, before, after, *others, **kinds)


class TestRemnant:
    def test_one_firing_that_no_other_cylinder_has_is_one(self):
        sign = make_sign(Count(25, 700), Count(1, 800))
        # reference: scipy, Fisher's exact test of one of 800 beside none of 6000
        table = [[1, 799], [0, 6000]]
        assert stats.fisher_exact(table, alternative="greater").pvalue < 0.2
        assert sign.has_remnant

    def test_as_rare_among_sound_cylinders_it_is_an_accident(self):
        others = (Count(6, 3000), Count(6, 3000))
        table = [[1, 799], [12, 5988]]
        assert stats.fisher_exact(table, alternative="greater").pvalue > 0.2
        assert not make_sign(Count(25, 700), Count(1, 800), others).has_remnant

    def test_without_other_cylinders_the_usual_false_alarms_count(self):
        none = (Count(0, 0), Count(0, 0))
        table = [[1, 799], [USUAL_ALARMS.lost, USUAL_ALARMS.judged - USUAL_ALARMS.lost]]
        assert stats.fisher_exact(table, alternative="greater").pvalue > 0.2
        assert not make_sign(Count(25, 700), Count(1, 800), none).has_remnant
        assert make_sign(Count(25, 700), Count(8, 800), none).has_remnant

    def test_a_fault_of_most_firings_does_not_shrink_to_one_in_hundreds(self):
        always, sometimes = (
            replace(make_sign(Count(n, 700), Count(1, 800)), name="lost") for n in (600, 25)
        )
        assert sometimes.has_remnant
        assert not always.has_remnant
        # reference: scipy, Fisher's exact test of eight of 800 beside three of 1000
        assert stats.fisher_exact([[8, 792], [3, 997]], alternative="greater").pvalue < 0.2
        assert replace(always, whole_after=Count(8, 800)).has_remnant

    def test_a_last_lost_firing_in_the_recording_after_is_no_cure(self):
        before = make_side(lost=draw_lost(0.04, 600, 1), cycles=600)
        rest = make_silent(make_side(cycles=700, seed=2))
        mark(rest, rows_of(rest, 3, [311]), "lost")
        said = compare_sides(before, rest)
        assert (said["verdict"], said["settled"]) == ("improved", False)
        assert any("one firing still lost in the very cylinder" in r for r in said["reasons"])
        clean = make_silent(make_side(cycles=700, seed=2))
        assert compare_sides(before, clean)["verdict"] == "cured"


def test_bad_sparks_that_are_left_are_no_cure():
    """No combustion is lost any more, but a fifth of the sparks are as bad as before."""
    before = make_side(lost=draw_lost(0.1, 600, 1))
    before.events.loc[before.events["work"] == "lost", "spark"] = "no_breakdown"
    after = make_side(seed=2)
    mark(after, rows_of(after, 3, range(0, 600, 5)), "done", spark="strained")
    said = compare_sides(before, after)
    assert said["verdict"] != "cured"
    assert any("120 of 600 firings after the repair have a bad spark" in r for r in said["reasons"])


def test_a_coil_of_all_cylinders_that_still_drops_out_is_no_cure():
    """No sound cylinder is there to compare with: all are accused before and judged as one."""
    rng = np.random.default_rng(3)
    sides = [make_side(seed=seed) for seed in (1, 2)]
    for side, share in zip(sides, (0.10, 0.015), strict=True):
        mark(side, rng.random(len(side.events)) < share, "lost", spark="not_switched")
    sides[0].summary["verdict"] = "misfire"
    for entry in sides[0].summary["cylinders"]:
        entry["probability"] = 0.9
    said = compare_sides(*sides)
    assert said["verdict"] == "improved"
    assert any("have a bad spark" in r for r in said["reasons"])


class TestLevels:
    """A leak made smaller: no firing is judged weak any more, but all of them give less."""

    def make(self):
        rng, sides = np.random.default_rng(5), []
        for seed, lacks in ((1, -90.0), (2, -25.0), (3, 0.0)):
            side = make_side(order=SIX, cycles=200, seed=seed)
            side.events["segment_accel"] += 14.0 * rng.standard_normal(len(side.events))
            side.events.loc[side.column("cylinder") == 3, "segment_accel"] += lacks
            sides.append(side)
        before, less, sound = sides
        mark(before, rows_of(before, 3, range(200)), "partial")
        before.summary["verdict"] = "misfire"
        before.summary["cylinders"][2]["probability"] = 0.99
        return before, less, sound

    def test_words(self):
        before, less, sound = self.make()
        said = compare_sides(before, less)
        assert said["verdict"] == "improved"
        assert any("still lacks torque against the other cylinders" in r for r in said["reasons"])
        assert compare_sides(before, sound)["verdict"] == "cured"

    def test_share_and_chance(self):
        before, less, sound = self.make()
        share, chance = compute_torque_left(before, less, find_match(before, less, (3,)), (3,))
        assert share == pytest.approx(25 / 90, abs=0.06)  # as it was made
        assert chance < 0.05
        share, chance = compute_torque_left(before, sound, find_match(before, sound, (3,)), (3,))
        assert abs(share) < 0.06
        assert chance > 0.2
        none = replace(less, events=less.events.assign(segment_accel=np.nan))
        assert compute_torque_left(before, none, find_match(before, none, (3,)), (3,)) == (0.0, 1.0)

    def test_of_a_pair_the_weaker_one_counts(self):
        before, less, _ = self.make()
        match = find_match(before, less, (3, 4))
        share, _ = compute_torque_left(before, less, match, (3, 4))
        assert share == pytest.approx(25 / 90, abs=0.06)


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
    first, second = match_numbers(before, after)
    lost = [
        {int(c) for c in s.column("cylinder")[s.column("misfire_probability") > 0.5]}
        for s in (first, second)
    ]
    assert lost[0] == lost[1]
    said = compare_sides(before, after)
    assert (said["verdict"], said["new_fault"]) == ("unchanged", [])
    assert any("numbers were moved on" in n for n in said["notes"])
    named = compare_sides(make_side(lost=draw_lost(0.2, 600, 1)), after)
    assert (named["new_fault"] == [2]) == (unnumbered == "before")


def drive(side, period_s):
    """Let the speed rise and fall between 1000 and 3000 rev/min in this time."""
    time_s, rpm = np.zeros(len(side.events)), np.zeros(len(side.events))
    now = 0.0
    for i in range(time_s.size):
        time_s[i], rpm[i] = now, 3000.0 - 2000.0 * abs(1.0 - 2.0 * (now / period_s % 1.0))
        now += 120.0 / rpm[i] / len(side.order)
    side.events["time_s"], side.events["rpm"] = time_s, rpm
    return side


class TestLoad:
    """Before, the speed rose by 1000 rev/min in a second and fell again; after, by 33."""

    def test_no_cure_where_the_pull_was_not_repeated(self):
        before = drive(make_side(lost=draw_lost(0.1, 600, 1), seed=1), 4.0)
        said = compare_sides(before, drive(make_side(seed=2), 120.0))
        assert said["conditions"]["speed_cover"] > 0.9
        assert (said["verdict"], said["headline"]) == (
            "not_comparable",
            "Not comparable: the load differs",
        )
        assert compare_sides(before, drive(make_side(seed=2), 4.0))["verdict"] == "cured"

    def test_a_fault_that_shows_without_the_pull_is_told(self):
        before = drive(make_side(lost=draw_lost(0.1, 600, 1), seed=1), 4.0)
        again = drive(make_side(lost=draw_lost(0.1, 600, 3), seed=2), 120.0)
        assert compare_sides(before, again)["verdict"] == "unchanged"


class TestSuspicionAfter:
    def test_a_recording_that_settles_nothing_proves_no_cure(self):
        before = make_side(lost=draw_lost(0.1, 600, 1), seed=1)
        after = make_side(seed=2)
        assert compare_sides(before, after)["verdict"] == "cured"
        after.summary["verdict"] = "inconclusive"
        assert compare_sides(before, after)["verdict"] == "cured"  # not for this cylinder's sake
        after.summary["cylinders"][2]["probability"] = 0.2
        assert compare_sides(before, after)["verdict"] == "improved"
        after.summary["cylinders"][1]["probability"] = 0.4  # the doubt is about another cylinder
        assert compare_sides(before, after)["verdict"] == "cured"

    def test_another_cylinder_that_is_accused_without_more_than_before(self):
        """It lost as much before, so it is not new; but a cure is not what to call it."""
        before = make_side(lost=draw_lost(0.1, 600, 1), seed=1)
        after = make_side(seed=2)
        for side in (before, after):
            mark(side, rows_of(side, 2, range(0, 600, 75)), "lost")
        assert compare_sides(before, after)["verdict"] == "cured"
        after.summary["verdict"] = "misfire"
        after.summary["cylinders"][1]["probability"] = 0.9
        said = compare_sides(before, after)
        assert (said["verdict"], said["settled"], said["new_fault"]) == ("improved", False, [])
        assert said["headline"].endswith("but cylinder 2 is accused as well")

    def test_a_new_accusation_asks_for_more_losses_than_before(self):
        before = make_side(lost=draw_lost(0.1, 600, 1), seed=1)
        after = make_side(seed=2)
        after.summary["verdict"] = "misfire"
        after.summary["cylinders"][1]["probability"] = 0.7
        mark(after, rows_of(after, 2, [50, 200, 400]), "lost")
        # reference: scipy; three of 600 against none of 600
        assert stats.fisher_exact([[3, 597], [0, 600]], alternative="greater").pvalue > 0.05
        assert compare_sides(before, after)["new_fault"] == []
        mark(after, rows_of(after, 2, range(100, 110)), "lost")
        said = compare_sides(before, after)
        assert (said["verdict"], said["new_fault"]) == ("worse", [2])

    def test_what_a_sound_vehicle_is_accused_of_is_not_settled(self):
        before, after = make_side(seed=1), make_side(seed=2)
        for side, cycles in ((before, [100]), (after, [50, 150, 300, 450])):
            mark(side, rows_of(side, 2, cycles), "lost")
        after.summary["verdict"] = "misfire"
        after.summary["cylinders"][1]["probability"] = 0.9
        # reference: scipy; four of 600 against one of 600 may be chance
        assert stats.fisher_exact([[4, 596], [1, 599]], alternative="greater").pvalue > 0.05
        said = compare_sides(before, after)
        assert (said["verdict"], said["new_fault"]) == ("not_settled", [])


def test_an_open_revolution_of_an_odd_engine_leaves_all_numbers_open():
    # 360 degrees are two and a half firing intervals of five cylinders: no cylinder has a mate
    for order, unnumbered in ((SIX, False), ((1, 2, 4, 5, 3), True)):
        side = make_side(order=order)
        assert not side.is_unnumbered
        opened = replace(side, summary=side.summary | {"settings": {"phase": "open"}})
        assert opened.is_unnumbered == unnumbered
