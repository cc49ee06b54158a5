"""How the two turns of a cycle are set against each other."""

import numpy as np
import pytest
from scipy import stats

from misfire.cycles.weighing import compare_ranks


@pytest.mark.parametrize(("n", "m", "levels"), [(5, 7, 3), (40, 1, 1000), (300, 200, 20)])
def test_ranks_are_compared_as_by_scipy(n, m, levels):
    """r = 2 U / (n m) - 1, U of Mann and Whitney; ties count half."""
    rng = np.random.default_rng(n)
    first, second = rng.integers(0, levels, n) + 1.0, rng.integers(0, levels, m) + 0.0
    u = stats.mannwhitneyu(first, second).statistic
    assert compare_ranks(first, second) == pytest.approx(2 * u / (n * m) - 1, abs=1e-12)


def test_the_firings_of_an_hour_are_no_burden():
    rng = np.random.default_rng(1)
    assert abs(compare_ranks(rng.normal(size=200_000), rng.normal(size=200_000))) < 0.01
