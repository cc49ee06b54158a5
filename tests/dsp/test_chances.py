"""Chances of counts against worked values, closed forms and scipy."""

import math

import numpy as np
import pytest
from scipy import stats

from misfire.dsp.chances import (
    Count,
    compute_clopper_pearson,
    compute_fisher,
    compute_outlying,
    compute_overdispersed,
    compute_surprise,
    compute_tail,
    compute_wilson,
    count_needed,
    find_rarest,
)
from misfire.errors import ParameterError


class TestIntervals:
    @pytest.mark.parametrize(
        ("k", "n", "low", "high"),
        [(95, 100, 0.8882, 0.9785), (9, 10, 0.5958, 0.9821), (0, 100, 0.0, 0.0370)],
    )
    def test_wilson(self, k, n, low, high):
        # computed from Wilson's formula (1927), worked by hand beside this project
        assert compute_wilson(k, n) == pytest.approx((low, high), abs=5e-5)

    def test_clopper_pearson_of_none(self):
        # closed form for no success: 1 - (alpha/2)^(1/n); 3.62 % at n = 100
        assert compute_clopper_pearson(0, 100) == pytest.approx((0, 1 - 0.025 ** (1 / 100)))
        assert compute_clopper_pearson(0, 100)[1] == pytest.approx(0.0362, abs=5e-5)
        # one-sided 95 % for 30, 100 and 300: 9.50, 2.95 and 0.994 % (rule of three: 10, 3, 1)
        one_sided = [compute_clopper_pearson(0, n, confidence=0.9)[1] for n in (30, 100, 300)]
        assert one_sided == pytest.approx([0.0950, 0.0295, 0.00994], abs=5e-5)

    @pytest.mark.parametrize(("k", "n"), [(0, 7), (1, 7), (3, 20), (20, 20), (57, 4180), (1, 2)])
    def test_against_scipy(self, k, n):
        test = stats.binomtest(k, n)
        exact, wilson = test.proportion_ci(method="exact"), test.proportion_ci(method="wilson")
        assert compute_clopper_pearson(k, n) == pytest.approx((exact.low, exact.high))
        assert compute_wilson(k, n) == pytest.approx((wilson.low, wilson.high))

    def test_nothing_tried(self):
        assert np.isnan(compute_wilson(0, 0)).all()
        assert np.isnan(compute_clopper_pearson(0, 0)).all()


@pytest.mark.parametrize(("k", "n"), [(1, 0), (-1, 5), (6, 5)])
def test_wilson_refuses_impossible_counts(k, n):
    with pytest.raises(ParameterError, match="0 <= k <= n"):
        compute_wilson(k, n)


# 0 of n, upper one-sided 95 per cent bound (binomial): 9.50, 2.95 and 0.994 per cent.
@pytest.mark.parametrize(("n", "share"), [(30, 0.0950), (100, 0.0295), (300, 0.00994)])
def test_rarest_fault_that_would_have_shown(n, share):
    assert find_rarest(n) == int(1 / share)


@pytest.mark.parametrize("one_in", [2, 7, 10, 50, 100, 1000, 12345])
def test_firings_needed_are_the_binomial_s(one_in):
    # closed form: chance of no event in n trials, (1 - p)^n
    n, p = count_needed(one_in), 1 / one_in
    assert (1 - p) ** n <= 0.05 < (1 - p) ** (n - 1)
    assert find_rarest(n) >= one_in > find_rarest(n - 1) - 1


def test_chance_of_counts_is_fishers():
    # reference: scipy's fisher_exact
    for table in ([[7, 194], [0, 603]], [[18, 187], [1, 616]], [[3, 240], [9, 800]]):
        own, other = (Count(row[0], sum(row)) for row in table)
        expected = stats.fisher_exact(table, alternative="greater").pvalue
        assert compute_fisher(own, other) == pytest.approx(expected, rel=1e-6)


def test_an_outlier_is_judged_by_students_law():
    # reference: the prediction interval of one more normal value, by drawing
    rng = np.random.default_rng(6)
    drawn = rng.standard_normal((10_000, 6))
    known = {"usual": 1.0, "weight": 6}
    chances = [compute_outlying(r[0] - np.mean(r[1:]), r[1:], 1e-9, **known) for r in drawn]
    share = np.mean(np.array(chances) < 0.02)  # times two for two ways of looking
    assert 0.008 < share < 0.02 + 3 * math.sqrt(0.02 / len(drawn))
    # reference: scipy, t test of one value against a sample (pooled variance)
    others = np.array([0.1, -0.2, 0.05, 0.3])
    expected = stats.ttest_ind([1.0 + others.mean()], others, alternative="greater").pvalue
    found = compute_outlying(1.0, others, 1e-9, usual=1e3, weight=1)
    assert found == pytest.approx(2 * expected, rel=1e-6)


@pytest.mark.parametrize(("lost", "judged", "share"), [(1, 10, 0.1), (7, 200, 0.01), (0, 5, 0.3)])
def test_a_tail_is_the_binomial_tests(lost, judged, share):
    expected = stats.binomtest(lost, judged, share, alternative="greater").pvalue
    assert compute_tail(lost, judged, share) == pytest.approx(expected, rel=1e-9)
    assert compute_tail(0, 0, share) == 1.0  # of nothing, nothing is improbable


def test_cylinders_that_differ_more_than_by_accident():
    # reference: the negative binomial law summed term by term, with gamma functions
    each = [Count(n, 1000) for n in (2, 5, 9, 13)]
    lost = [c.lost for c in each]
    mean, variance = np.mean(lost), np.var(lost, ddof=1)
    size, p = mean**2 / (variance - mean), mean / variance
    below = sum(
        math.exp(
            math.lgamma(n + size)
            - math.lgamma(size)
            - math.lgamma(n + 1)
            + size * math.log(p)
            + n * math.log(1 - p)
        )
        for n in range(20)
    )
    assert compute_overdispersed(Count(20, 1000), each) == pytest.approx(1 - below, rel=1e-6)
    # alike, or too few to tell: accident alone decides
    assert compute_overdispersed(Count(30, 1000), [Count(n, 1000) for n in (9, 10, 11)]) == 0.0
    assert compute_overdispersed(Count(30, 1000), each[:2]) == 0.0


def test_a_count_by_itself():
    assert (Count(1, 4) + Count(2, 6)) == Count(3, 10)
    assert Count(1, 4).rate == 0.25
    assert math.isnan(Count(0, 0).rate)
    assert Count(1, 4).interval() == compute_clopper_pearson(1, 4)


@pytest.mark.parametrize(("lost", "expected"), [(1, 0.2), (3, 0.17), (40, 9.0), (500, 420.0)])
def test_a_surprise_bounds_poissons_tail(lost, expected):
    chance = -stats.poisson.logsf(lost - 1, expected)  # the reference library
    surprise = float(compute_surprise(np.array([float(lost)]), np.array([expected]))[0])
    # the tail is at least its first term, which is exp(-surprise) by Stirling's formula
    assert surprise < chance < surprise + 0.5 * np.log(2 * np.pi * lost) + 1 / (12 * lost)


def test_fewer_than_expected_are_no_surprise():
    assert compute_surprise(np.array([0.0, 2.0]), np.array([1.0, 2.0])).tolist() == [0.0, 0.0]
