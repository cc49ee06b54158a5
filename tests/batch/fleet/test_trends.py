"""Wear over recordings: the test, the slope and what many tests do, against slow versions."""

import itertools
import math

import numpy as np
import pytest

from misfire.fleet.wear import Trend, adjust, find_trends, order_rows, split_name


def make_rows(table, *, vehicle="van", quantity="burn_time_ms", recorded=None):
    """Make one row per recording from values [recording][cylinder]."""
    other = {"burn_time_ms": "peak_current_a", "peak_current_a": "burn_time_ms"}[quantity]
    return [
        {
            "vehicle": vehicle,
            "name": f"{vehicle}/{i}",
            "recorded": None if recorded is None else recorded[i],
            "cylinders": [
                {"cylinder": c + 1, quantity: None if v is None else float(v), other: None}
                for c, v in enumerate(row)
            ],
        }
        for i, row in enumerate(table)
    ]


def single(values, **options):
    """Give the trend of an engine of which one cylinder was recorded."""
    found = find_trends(make_rows([[v] for v in values], **options))
    assert len(found) == 1
    return found[0]


def count_concordance(values):
    """Give Kendall's S the slow way."""
    return sum(np.sign(b - a) for a, b in itertools.combinations(values, 2))


@pytest.mark.parametrize("n", [4, 5, 6])
def test_the_chance_is_that_of_all_orders(n):
    # Mann-Kendall exactly: the share of all n! orders with an S at least as low.
    rng = np.random.default_rng(n)
    values = rng.permutation(n) + 1.0
    s = count_concordance(values)
    orders = [count_concordance(order) for order in itertools.permutations(range(n))]
    expected = np.mean([x <= s for x in orders])
    assert single(values).p == pytest.approx(expected)


def test_four_falling_values_are_the_least_that_can_tell():
    assert single([4, 3, 2, 1]).p == pytest.approx(1 / math.factorial(4))
    assert find_trends(make_rows([[3], [2], [1]])) == []  # 1 of 3! is 17 %: never rare enough


def test_the_slope_is_the_median_of_all_pairs():
    # P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379.
    rng = np.random.default_rng(0)
    values = 1.6 - 0.05 * np.arange(9) + rng.normal(0, 0.03, 9)
    pairs = [(values[j] - values[i]) / (j - i) for i, j in itertools.combinations(range(9), 2)]
    trend = single(values)
    assert trend.slope == pytest.approx(np.median(pairs))
    assert trend.low < trend.slope < trend.high < 0
    assert trend.grade == "drift"


def test_the_line_reaches_the_limit_when_it_should():
    trend = single([1.6, 1.5, 1.4, 1.3, 1.2])  # 0.8 ms after four more steps
    assert trend.reach == pytest.approx(4.0)
    days = ["2026-01-01", "2026-01-11", "2026-01-21", "2026-01-31", "2026-02-10"]
    dated = single([1.6, 1.5, 1.4, 1.3, 1.2], recorded=days)
    assert (dated.step, dated.slope) == ("day", pytest.approx(-0.01))
    assert dated.reach == pytest.approx(40.0)


def test_what_all_cylinders_share_is_not_held_against_one():
    # Speed and load move all burn times by the same factor; cylinder 2 alone wears.
    rng = np.random.default_rng(1)
    common = rng.uniform(0.7, 1.3, 10)
    wear = np.array([1.0, 1.0, 1.0, 1.0]) * np.ones((10, 1))
    wear[:, 1] -= 0.04 * np.arange(10)
    table = 1.5 * common[:, None] * wear * rng.normal(1, 0.005, (10, 4))
    graded = {t.cylinder: t.grade for t in find_trends(make_rows(table))}
    assert graded == {0: "", 1: "", 2: "drift", 3: "", 4: ""}


def test_a_rise_is_no_wear():
    assert single([1, 2, 3, 4, 5, 6]).grade == ""


def test_many_vehicles_without_wear_give_few_false_drifts():
    # Benjamini and Hochberg (1995): without any true drift, the chance of even one is 5 %.
    rng = np.random.default_rng(2)
    wrong = 0
    for fleet in range(40):
        rows = []
        for k in range(10):
            rows += make_rows(rng.normal(1.5, 0.1, (8, 4)), vehicle=f"{fleet}-{k}")
        wrong += any(t.grade == "drift" for t in find_trends(rows))
    assert wrong <= 6  # binomial(40, 0.05): more than 6 has a chance of 0.3 %


def test_adjusting_is_that_of_scipy():
    from scipy.stats import false_discovery_control

    p = np.random.default_rng(3).uniform(0, 1, 30) ** 3
    blank = ("v", 1, "burn_time_ms", (), (), (), (), False, "day", 0.0)
    made = adjust([Trend(*blank, x, -1.0, -1.0, -1.0, 0.8, None) for x in p.tolist()])
    np.testing.assert_allclose([t.q for t in made], false_discovery_control(p))


def test_peak_current_has_a_limit_of_its_own():
    trend = single([8.0, 7.8, 7.6, 7.4, 7.2], quantity="peak_current_a")
    assert trend.limit == pytest.approx(0.8 * 7.8)  # the median of the first three


def test_gaps_in_a_history_are_left_out():
    assert len(single([1.6, None, 1.5, 1.4, 1.3]).values) == 4


def test_order_by_time_where_all_tell_else_by_name():
    rows = make_rows([[1], [2], [3]], recorded=["2026-02-01", "2026-01-01", "2026-03-01T08:00:00"])
    assert [r["name"][-1] for r in order_rows(rows)] == ["1", "0", "2"]
    rows[0]["recorded"] = None
    assert [r["name"][-1] for r in order_rows(rows)] == ["0", "1", "2"]


def test_any_names_can_be_put_in_order():
    names = ["", "2", "10", "a2b", "a10", "A2", "²", "-1", "a", "９"]
    assert len({str(split_name(n)) for n in names}) == len(names)
    assert sorted(names, key=split_name).index("2") < sorted(names, key=split_name).index("10")
