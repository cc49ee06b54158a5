"""Strikes of one firing, put together from firings and the strikes of each."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from misfire.cycles.restrikes import MOST_STRIKES, find_restrikes, list_first_strikes


@pytest.mark.parametrize("n_strikes", [1, 2, 4, MOST_STRIKES])
@pytest.mark.parametrize("every_s", [0.02, 0.12])
def test_the_first_of_each_firing_is_left(n_strikes, every_s):
    firing_s = every_s * 4 * np.arange(50)
    stop_s = (firing_s[:, None] + 1.5e-3 * np.arange(n_strikes)).ravel()
    again = find_restrikes(stop_s)
    assert again.sum() == 50 * (n_strikes - 1)
    assert_array_equal(list_first_strikes(stop_s[::-1]), firing_s)


def test_sparks_at_even_distances_are_firings_of_their_own():
    # twelve cylinders at 7000 rev/min: a spark each 120 / 7000 / 12 s = 1.43 ms
    stop_s = 120 / 7000 / 12 * np.arange(200)
    assert not find_restrikes(stop_s).any()


def test_more_strikes_than_a_coil_makes_are_none():
    burst = 1e-3 * np.arange(MOST_STRIKES + 1)
    assert not find_restrikes(np.concatenate([burst, burst + 0.5, burst + 1.0])).any()
