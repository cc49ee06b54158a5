"""Local trend against polynomials, numpy's own least squares, and its published robustness."""

import numpy as np
import pytest

from misfire.dsp.running import running_quantile
from misfire.dsp.trend import fit_local_trend


class TestPolynomial:
    @pytest.mark.parametrize("degree", [0, 1, 2, 3])
    def test_passes_what_it_can_fit(self, degree):
        # least squares reproduce a polynomial of their own degree, at the ends too
        x = np.linspace(-1.0, 1.0, 40)
        line = np.polyval(np.arange(1.0, degree + 2.0), x)
        trend, spread = fit_local_trend(line, reach=5, degree=degree)
        np.testing.assert_allclose(trend, line, atol=1e-6)
        assert np.nanmax(spread) < 1e-6

    def test_first_pass_is_weighted_least_squares(self):
        # numpy.polyfit with square roots of the tricube weights; no outliers: later passes hardly
        # move it, so compare where the residuals are all alike
        rng = np.random.default_rng(3)
        values = np.sin(np.arange(60) / 9.0) + 1e-3 * rng.normal(size=60)
        trend, _ = fit_local_trend(values, reach=6)
        near = np.concatenate((np.arange(-6, 0), np.arange(1, 7)))
        weight = (1 - np.abs(near / 7.0) ** 3) ** 3
        for row in range(6, 54):
            fit = np.polyfit(near, values[row + near], 2, w=np.sqrt(weight))
            assert trend[row] == pytest.approx(fit[-1], abs=2e-3)


class TestRobust:
    def test_outliers_do_not_count(self):
        # every sixth value is lost altogether: Cleveland 1979, figure 1, is of this kind
        line = 100.0 + 30.0 * np.sin(np.arange(200) / 8.0)
        lost = line.copy()
        lost[3::6] -= 300.0
        trend, spread = fit_local_trend(lost, reach=8)
        inner = slice(8, -8)
        assert np.abs(trend - line)[inner].max() < 3.0
        assert np.median(spread[inner]) < 3.0

    def test_own_value_is_left_out(self):
        values = np.zeros(60)
        values[30] = 1e6
        trend, _ = fit_local_trend(values, reach=8)
        assert trend[30] == 0.0
        assert np.abs(trend).max() < 1e-3 * values[30]  # nor do its neighbours' follow it

    def test_follows_a_swing_that_a_median_does_not(self):
        # a driveline at 6 Hz, 3 cylinders at 2200 rev/min: 9 firings a period
        swing = np.sin(2 * np.pi * np.arange(300) / 9.0)
        trend, _ = fit_local_trend(swing, reach=8)
        median = running_quantile(swing, reach=6, skip_self=True)
        assert np.std(swing - trend) < 0.9 * np.std(swing - median)


class TestHoles:
    def test_missing_values_are_passed_over(self):
        line = np.arange(40.0)
        line[[3, 10, 11, 12, 30]] = np.nan
        trend, _ = fit_local_trend(line, reach=5, degree=1)
        np.testing.assert_allclose(trend, np.arange(40.0), atol=1e-5)

    @pytest.mark.parametrize("n", [0, 1, 3])
    def test_too_few(self, n):
        trend, spread = fit_local_trend(np.ones(n), reach=4)
        assert trend.shape == spread.shape == (n,)
        assert np.isnan(trend).all()

    def test_in_parts_as_in_one(self):
        # longer than one batch
        rng = np.random.default_rng(1)
        values = rng.normal(size=20_000)
        whole, _ = fit_local_trend(values, reach=8)
        part, _ = fit_local_trend(values[8000:9000], reach=8)
        np.testing.assert_allclose(whole[8100:8900], part[100:-100], rtol=1e-9, atol=1e-12)
