"""Two recordings set against each other: intervals and words against references."""

import json
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from misfire.comparison.comparing import compare, compare_sides
from misfire.comparison.features import compute_matched_change
from misfire.comparison.rates import (
    compute_bunching,
    compute_chance_lower,
    compute_chance_unseen,
    compute_cycles_needed,
    compute_difference_interval,
)
from misfire.comparison.side import Side
from misfire.dsp.chances import Count
from misfire.errors import FormatError, ParameterError
from misfire.records import EVENT_COLUMNS
from misfire.report.comparison.files import format_comparison_table, write_comparison

ORDER = (1, 3, 4, 2)


def make_side(
    *,
    cycles=600,
    lost=(),
    lost_cylinder=3,
    rpm=800.0,
    seed=0,
    burn=1.5,
    burn_of=None,
    witnesses=("burn", "current", "torque"),
    order=ORDER,
    deficit=-80.0,
):
    """Make a diagnosed recording of known content: `lost` are cycles that one cylinder lost."""
    rng = np.random.default_rng(seed)
    n = cycles * len(order)
    cylinder = np.tile(order, cycles)
    cycle = np.repeat(np.arange(cycles), len(order))
    gone = (cylinder == lost_cylinder) & np.isin(cycle, list(lost))
    speed = rpm * (1 + 0.02 * rng.standard_normal(n))
    burn_ms = np.where(cylinder == lost_cylinder, burn_of or burn, burn)
    columns = dict.fromkeys(EVENT_COLUMNS, np.full(n, np.nan))
    columns |= {
        "time_s": np.arange(n) * 120.0 / rpm / len(order),
        "cycle": cycle,
        "cylinder": cylinder,
        "rpm": speed,
        "burn_time_ms": burn_ms * (1 + 0.04 * rng.standard_normal(n)),
        "segment_accel": np.where(gone, deficit, 0.0) + 8.0 * rng.standard_normal(n),
        "misfire_probability": np.where(gone, 0.97, 0.01),
        "flags": np.full(n, "", dtype=object),
        "spark": np.full(n, "usual", dtype=object),
        "work": np.where(gone, "lost", "done").astype(object),
    }
    faulty = len(list(lost)) >= 3
    cylinders = [
        {
            "cylinder": c,
            "probability": 0.95 if faulty and c == lost_cylinder else 0.02,
            "faults": [{"type": "mixture", "probability": 0.9}],
        }
        for c in sorted(order)
    ]
    summary = {
        "vehicle": "van-017",
        "verdict": "misfire" if faulty else "no_misfire",
        "cylinders": cylinders,
        "duration_s": n * 120.0 / rpm / len(order),
        "cycles": cycles,
        "kv_estimated": True,
    }
    kinds = {c: frozenset(witnesses) for c in order}
    angles = tuple(720.0 * i / len(order) for i in range(len(order)))
    events = pd.DataFrame(columns)
    return Side("side", summary, events, order, "coil_on_plug", angles, {}, kinds)


def mark(side, rows, work, *, spark=None, probability=None):
    """Give firings another state; a lost one a probability that says so."""
    side.events.loc[rows, "work"] = work
    lost = {"lost": 0.97, "partial": 0.2}.get(work, 0.01)
    side.events.loc[rows, "misfire_probability"] = lost if probability is None else probability
    if spark is not None:
        side.events.loc[rows, "spark"] = spark
        side.events.loc[rows, "spark_probability"] = 0.98
    return side


def rows_of(side, cylinder, cycles):
    """Give the rows of some cycles of one cylinder."""
    return np.flatnonzero(side.column("cylinder") == cylinder)[list(cycles)]


def draw_lost(rate, cycles, seed):
    return np.flatnonzero(np.random.default_rng(seed).random(cycles) < rate)


@pytest.mark.parametrize(("k", "n", "m"), [(5, 100, 100), (3, 40, 200), (30, 100, 7), (1, 10, 50)])
def test_chance_unseen_is_the_hypergeometric_law(k, n, m):
    # reference: scipy; all k lost firings among the n of the first recording
    expected = stats.hypergeom(n + m, k, m).pmf(0)
    assert compute_chance_unseen(Count(k, n), m) == pytest.approx(expected, rel=1e-9)


def test_exact_interval_is_that_of_the_binomial_test():
    # reference: scipy's binomtest, method "exact" (Clopper and Pearson 1934)
    for k, n in ((0, 30), (7, 120), (120, 120)):
        expected = stats.binomtest(k, n).proportion_ci(0.95, method="exact")
        assert Count(k, n).interval() == pytest.approx((expected.low, expected.high), abs=1e-9)


def test_cycles_needed_is_the_least_number_that_does():
    before = Count(4, 150)
    more = compute_cycles_needed(before, 60)
    assert compute_chance_unseen(before, 60 + more) <= 0.05
    assert compute_chance_unseen(before, 60 + more - 1) > 0.05
    assert compute_cycles_needed(before, 5000) == 0
    assert compute_cycles_needed(Count(0, 100), 100) is None
    with pytest.raises(ParameterError, match="negative"):
        compute_chance_unseen(before, -1)


def test_bunching_of_bouts_follows_the_closed_form():
    # A bout goes on with probability a and begins rarely: correlation a^k, so (1 + a) / (1 - a).
    rng = np.random.default_rng(5)
    a, begin = 0.8, 0.004
    state, lost = False, np.zeros(200_000, bool)
    draws = rng.random(lost.size)
    for i in range(lost.size):
        state = draws[i] < (a if state else begin)
        lost[i] = state
    r = a - begin
    assert compute_bunching(lost) == pytest.approx((1 + r) / (1 - r), rel=0.12)
    assert compute_bunching(rng.random(5000) < 0.1) < 1.2
    assert compute_bunching(np.ones(50, bool)) == 1.0


def test_chance_lower_against_drawn_posteriors():
    # reference: a million draws of both beta laws with numpy
    rng = np.random.default_rng(1)
    drawn = rng.beta(3.5, 197.5, 10**6) < rng.beta(12.5, 188.5, 10**6)
    assert compute_chance_lower(Count(12, 200), Count(3, 200)) == pytest.approx(
        drawn.mean(), abs=2e-3
    )


def test_difference_interval_covers():
    # coverage of a 95 % interval, by drawing (binomial law of numpy)
    rng = np.random.default_rng(2)
    hits = 0
    for k, m in zip(rng.binomial(150, 0.08, 400), rng.binomial(250, 0.03, 400), strict=True):
        low, high = compute_difference_interval(Count(int(k), 150), Count(int(m), 250))
        hits += low <= 0.03 - 0.08 <= high
    assert hits >= 0.94 * 400


def test_change_of_a_median_covers_with_alike_neighbours():
    # first-order autoregressive series of known shift; 95 % within three standard errors of 200
    rng = np.random.default_rng(3)
    hits, rounds = 0, 200
    for _ in range(rounds):
        sides = []
        for shift in (0.0, 0.3):
            x = np.zeros(400)
            for i in range(1, x.size):
                x[i] = 0.5 * x[i - 1] + rng.standard_normal()
            sides += [x + shift, np.full(x.size, 800.0)]
        change, error = compute_matched_change(*sides)
        hits += abs(change - 0.3) <= 1.96 * error
    assert 0.95 - 3 * math.sqrt(0.95 * 0.05 / rounds) <= hits / rounds


def test_another_speed_is_no_change():
    rng = np.random.default_rng(4)
    slow, fast = rng.uniform(700, 1500, 800), rng.uniform(1000, 2200, 800)
    law = 3.0 - 0.8e-3 * slow, 3.0 - 0.8e-3 * fast  # the same law of speed on both sides
    change, _ = compute_matched_change(law[0], slow, law[1], fast)
    assert abs(np.median(law[1]) - np.median(law[0])) > 0.3
    assert abs(change) < 0.05


def test_the_right_word_in_200_pairs():
    """Words over drawn pairs; what is right follows from the rates that they were drawn with."""
    right, wrong = 0, []
    for number in range(50):
        seed = 10 * number
        rate = float(np.random.default_rng(seed).uniform(0.03, 0.5))
        lost = draw_lost(rate, 600, seed + 1)
        before = make_side(lost=lost, seed=seed)
        pairs = {
            "cured": make_side(seed=seed + 2),
            "unchanged": make_side(lost=draw_lost(rate, 600, seed + 3), seed=seed + 4),
            "improved": make_side(lost=draw_lost(rate / 6, 1500, seed + 5), cycles=1500, seed=7),
            "not_comparable": make_side(rpm=2500.0, seed=seed + 6),
        }
        for word, after in pairs.items():
            said = compare_sides(before, after)["verdict"]
            right += said == word
            if word != "cured" and said == "cured":
                wrong.append((number, word))
    assert right >= 190  # 95 per cent of 200
    assert wrong == []


def test_too_short_to_have_shown_it_is_never_cured():
    before = make_side(lost=draw_lost(0.02, 600, 8), seed=1)
    said = compare_sides(before, make_side(cycles=60, seed=2))
    assert said["verdict"] == "not_settled"
    assert said["settled"] is False
    more = said["cycles_needed"]
    k = int((before.column("misfire_probability") > 0.5).sum())
    # reference: the exact law (scipy); so many in all would do, one less would not
    assert stats.hypergeom(600 + 60 + more, k, 60 + more).pmf(0) <= 0.025
    assert stats.hypergeom(600 + 59 + more, k, 59 + more).pmf(0) > 0.025
    assert said["seconds_needed"] == pytest.approx(more * 120 / 800, rel=0.02)
    longer = compare_sides(before, make_side(cycles=60 + more + 5, seed=3))
    assert longer["verdict"] == "cured"


def test_one_bout_proves_little():
    single = compare_sides(make_side(lost=range(300, 330)), make_side(seed=3))
    assert single["verdict"] != "cured"
    assert single["cycles_needed"] > 600
    spread = compare_sides(make_side(lost=range(0, 600, 20)), make_side(seed=3))
    assert spread["verdict"] == "cured"


def test_a_worse_and_a_moved_fault_are_said():
    before = make_side(lost=draw_lost(0.1, 600, 1))
    worse = compare_sides(before, make_side(lost=draw_lost(0.5, 600, 2), seed=2))
    assert (worse["verdict"], worse["direction"]) == ("worse", "worse")
    assert worse["headline"] == "Worse: cylinder 3 fails more than before"
    moved = compare_sides(before, make_side(lost=draw_lost(0.1, 600, 3), lost_cylinder=2, seed=2))
    assert (moved["verdict"], moved["new_fault"]) == ("worse", [2])
    assert moved["headline"].startswith(
        "Worse: cylinder 3 no longer fails, but cylinder 2 fails now"
    )


def make_silent(side):
    """Take away what `diagnose` found: nothing judged lost, nobody accused."""
    mark(side, slice(None), "done", probability=0.01)
    side.summary["verdict"] = "no_misfire"
    for entry in side.summary["cylinders"]:
        entry["probability"] = 0.03
    return side


def test_a_mere_suspicion_after_is_no_new_fault():
    before = make_side(lost=draw_lost(0.1, 600, 1))
    after = make_side(seed=2)
    after.summary["verdict"] = "misfire"
    after.summary["cylinders"][0]["probability"] = 0.6  # no firing of cylinder 1 was lost
    assert compare_sides(before, after)["verdict"] == "cured"


def test_a_false_alarm_beside_an_unchanged_fault_is_no_improvement():
    before = make_side(lost=draw_lost(0.03, 600, 1))
    extra = np.flatnonzero(before.column("cylinder") == 4)[:280:40]
    mark(before, extra, "lost")
    before.summary["cylinders"][3]["probability"] = 0.6
    said = compare_sides(before, make_side(lost=draw_lost(0.03, 600, 2), seed=2))
    assert [c["cylinder"] for c in said["cylinders"] if c["suspect"]] == [3, 4]
    assert said["verdict"] == "unchanged"


def test_recordings_that_number_a_pair_the_other_way_are_compared_as_a_pair():
    before = make_side(lost=draw_lost(0.2, 600, 1))
    after = make_side(seed=2)
    before.witnesses.update({c: frozenset({"torque"}) for c in (1, 2, 4)})
    after.witnesses.update({c: frozenset({"torque"}) for c in (1, 3, 4)})
    before.events.loc[before.column("cylinder") != 3, "burn_time_ms"] = np.nan
    after.events.loc[after.column("cylinder") != 2, "burn_time_ms"] = np.nan
    said = compare_sides(before, after)
    assert said["verdict"] == "cured"
    assert [c["cylinder"] for c in said["cylinders"] if c["suspect"]] == [2, 3]


@pytest.mark.parametrize("absent", ["segment_accel", "burn_time_ms", "rpm", "misfire_probability"])
@pytest.mark.parametrize("cylinders", [1, 2, 3, 6])
def test_what_was_not_measured_is_no_obstacle(absent, cylinders):
    """No warning (an error in tests) and no word that needs what is not there."""
    order = tuple(range(1, cylinders + 1))
    kinds = {"order": order, "lost_cylinder": 1, "cycles": 60}
    before = make_side(lost=draw_lost(0.2, 60, 1), **kinds)
    for share in (0.5, 1.0):
        after = make_silent(make_side(seed=2, **kinds))
        after.events.loc[np.random.default_rng(3).random(len(after.events)) < share, absent] = (
            np.nan
        )
        said = compare_sides(before, after)
        json.dumps(said, allow_nan=False)
        if share == 1.0 and absent in ("rpm", "misfire_probability"):
            assert said["verdict"] != "cured"
    empty = make_side(**kinds)
    empty = replace(empty, events=empty.events.iloc[:0])
    assert compare_sides(before, empty)["verdict"] == "not_comparable"


def test_other_channels_and_engines_are_not_compared():
    before = make_side(lost=draw_lost(0.1, 600, 1))
    after = make_side(witnesses=("burn",), seed=2)
    after.events["segment_accel"] = np.nan
    blind = compare_sides(before, after)
    assert (blind["verdict"], blind["settled"]) == ("not_comparable", False)
    assert "torque" in blind["reasons"][0]
    six = compare_sides(before, make_side(order=(1, 5, 3, 6, 2, 4)))
    assert six["verdict"] == "not_comparable"
    assert "4 cylinders before, 6 after" in six["reasons"][0]
    turned = compare_sides(before, make_side(order=(1, 2, 4, 3)))
    assert "1-3-4-2 before, 1-2-4-3 after" in turned["reasons"][0]


def test_the_cylinder_can_be_named():
    before = make_side()
    assert compare_sides(before, make_side(seed=1), cylinder=2)["cylinders"][1]["suspect"]
    with pytest.raises(ParameterError, match="cylinder 9"):
        compare_sides(before, make_side(), cylinder=9)


def test_files_and_table(tmp_path):
    document = compare_sides(make_side(lost=draw_lost(0.1, 600, 1)), make_side(seed=2))
    paths = write_comparison(document, tmp_path / "out")
    assert sorted(p.name for p in paths) == ["compare.html", "compare.json"]
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["compare.html", "compare.json"]
    read = json.loads((tmp_path / "out" / "compare.json").read_text())
    assert read["schema"] == "misfire-compare/1"
    assert read == document
    page = (tmp_path / "out" / "compare.html").read_text()
    assert "Cured: cylinder 3 no longer fails" in page
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")
    assert "CURED" in format_comparison_table(document)


def test_text_from_outside_is_escaped(tmp_path):
    side = make_side()
    side.summary["vehicle"] = "<script>alert(1)</script>\x1b[2J"
    document = compare_sides(side, side)
    write_comparison(document, tmp_path)
    assert "<script" not in (tmp_path / "compare.html").read_text()
    assert "\x1b" not in format_comparison_table(document)


def test_a_folder_without_a_result_is_refused(tmp_path):
    with pytest.raises(FormatError, match=r"no result\.json"):
        compare(tmp_path, tmp_path)
    (tmp_path / "result.json").write_text("{}")
    with pytest.raises(FormatError, match=r"no events\.parquet"):
        compare(tmp_path, tmp_path)
    (tmp_path / "events.parquet").write_bytes(b"nothing")
    with pytest.raises(FormatError, match="schema"):
        compare(tmp_path, tmp_path)
    (tmp_path / "result.json").write_text("not json")
    with pytest.raises(FormatError, match="not JSON"):
        compare(tmp_path, tmp_path)
