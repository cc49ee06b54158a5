"""What a firing lacks by its whole stroke and its first half, and behind a step of the load."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from misfire.features.lack import gather_half, mix, take_out_step, weigh_half


class TestHalves:
    def test_weights_are_inverse_variances(self):
        # 1 / 2^2 against 1 / 1^2 (mean of least variance: any statistics handbook)
        whole, half = np.ones(5), np.full(5, 2.0)
        assert weigh_half(whole, half) == pytest.approx(0.2)
        assert weigh_half(whole, np.full(5, np.nan)) == 0.0

    def test_the_whole_work_by_its_first_half(self):
        # One cylinder, window of 60 degrees to each side: of the work done by 30, 60, 90, 120, 150
        # degrees (0.12, 0.52, 0.80, 0.95, 1) the trapezium rule gives 0.095 about TDC, 0.7075 about
        # 90 degrees: a stroke without its work lacks 0.6125 of it in the first half. The mean is
        # taken at 31 places, which is as good as the trapezium rule within 2 %.
        tdc = 720.0 * np.arange(6)
        lacks = np.array([0.0, 0.0, 0.6125, 0.0, 0.0, 0.0])
        missing, noise = gather_half(lacks, np.full(6, 0.06125), tdc, np.full(6, 90.0), 60.0)
        assert_allclose(missing, [0, 0, 1, 0, 0, 0], atol=0.02)
        assert_allclose(noise, 0.1, atol=0.002)

    def test_where_the_half_is_not_known_the_whole_counts(self):
        mixed = mix(np.array([1.0, 1.0]), np.array([0.5, np.nan]), 0.5)
        assert_allclose(mixed, [0.75, 1.0])


class TestSteps:
    def test_what_stays_lacking_is_a_step(self):
        # behind a step of 1 the trend says 0.6, the firings after it say 0.05
        assert_allclose(take_out_step(np.array([0.6]), np.array([0.05]), np.array([1.0])), 0.05)

    def test_sides_alike_are_no_step(self):
        # chance makes one side lower: no more is taken out than the sides differ beyond it
        assert_allclose(take_out_step(np.array([1.0]), np.array([0.7]), np.array([0.0])), 1.0)
        assert_allclose(take_out_step(np.array([1.0]), np.array([0.7]), np.array([0.1])), 0.9)

    def test_it_never_makes_a_gain_of_a_lack(self):
        assert_allclose(take_out_step(np.array([0.2]), np.array([-2.0]), np.array([9.0])), 0.0)
        assert_allclose(take_out_step(np.array([0.4]), np.array([np.nan]), np.array([0.0])), 0.4)
