"""Running statistics against numpy and scipy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose
from scipy.stats import median_abs_deviation

from misfire.dsp.running import nan_quantile, robust_spread, running_quantile

VALUES = arrays(
    np.float64, st.integers(0, 30), elements=st.floats(-1e6, 1e6) | st.just(float("nan"))
)


def slow_quantile(values, reach, quantile, skip_self):
    """Walk row by row with numpy's quantile."""
    n, width = values.size, 2 * reach + 1
    found = []
    for i in range(n):
        start = 0 if n < width else min(max(i - reach, 0), n - width)
        rows = range(start, min(start + width, n))
        near = [values[k] for k in rows if not (skip_self and k == i and len(rows) > 1)]
        near = [v for v in near if not np.isnan(v)]
        found.append(np.quantile(near, quantile) if near else np.nan)
    return np.array(found)


class TestRunningQuantile:
    @given(VALUES, st.integers(1, 8), st.sampled_from([0.0, 0.25, 0.5, 0.7, 1.0]), st.booleans())
    def test_slow_version(self, values, reach, quantile, skip_self):
        found = running_quantile(values, reach=reach, quantile=quantile, skip_self=skip_self)
        assert_allclose(found, slow_quantile(values, reach, quantile, skip_self), atol=1e-9)

    @given(
        arrays(np.float64, st.integers(7, 30), elements=st.floats(-1e6, 1e6)),
        st.sampled_from([0.0, 0.1, 0.5, 0.6, 0.75, 1.0]) | st.floats(0, 1),
    )
    def test_without_holes_numpys_to_the_last_bit(self, values, quantile):
        found = running_quantile(values + 0.0, reach=3, quantile=quantile)  # no negative zero
        expected = slow_quantile(values + 0.0, 3, quantile, skip_self=False)
        assert found.tobytes() == expected.tobytes()

    @given(VALUES)
    def test_input_is_left_alone(self, values):
        before = values.copy()
        running_quantile(values, reach=2, skip_self=True)
        assert values.tobytes() == before.tobytes()


class TestNanQuantile:
    @given(
        arrays(np.float64, (6, 7), elements=st.floats(-1e6, 1e6) | st.just(float("nan"))),
        st.floats(0, 1),
    )
    def test_numpy(self, window, quantile):
        found = nan_quantile(window, quantile)
        for row, value in zip(window, found, strict=True):
            numbers = row[~np.isnan(row)]
            expected = np.quantile(numbers, quantile) if numbers.size else np.nan
            assert_allclose(value, expected, rtol=1e-9, atol=1e-6)


class TestRobustSpread:
    def test_scipy(self):
        values = np.random.default_rng(2).normal(3.0, 5.0, 1001)
        assert robust_spread(values) == pytest.approx(
            median_abs_deviation(values, scale="normal"), rel=1e-4
        )

    def test_normal_values_and_outliers(self):
        values = np.random.default_rng(2).normal(0.0, 2.0, 20_000)
        values[:2000] = 1e6
        assert robust_spread(values) == pytest.approx(2.0, rel=0.2)

    def test_nothing(self):
        assert np.isnan(robust_spread(np.array([np.nan, np.inf])))
