"""Which firings' waveforms are kept for the page."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from misfire.diagnosis.firingwaves import ALL_FIRINGS, MOST_LOST, RUNS, choose_rows


def choose(n, lost):
    probability = np.zeros(n)
    probability[lost] = 1.0
    return choose_rows(probability, np.arange(n) % 4 + 1)


@given(st.integers(1, ALL_FIRINGS), st.data())
def test_every_firing_of_a_short_recording_is_kept_once(n, data):
    lost = data.draw(st.lists(st.integers(0, n - 1), unique=True))
    rows = choose(n, lost)
    assert sorted(rows.tolist()) == list(range(n))
    assert set(rows[: len(lost)].tolist()) == set(lost)  # the most telling come first


def test_of_a_long_recording_lost_ones_then_runs_then_neighbours():
    lost = np.arange(5, 200_000, 4_000)
    rows = choose(200_000, lost)
    assert set(rows[: lost.size]) == set(lost)
    n_runs = RUNS * 8
    assert np.ptp(rows[lost.size : lost.size + n_runs]) > 190_000
    assert {*(lost - 1), *(lost + 1)} <= set(rows[lost.size :].tolist())
    assert rows.size == np.unique(rows).size <= 3 * lost.size + n_runs


def test_too_many_lost_ones_are_thinned_evenly():
    """Read backwards, binary digits give a sequence whose gaps differ by a factor of 2 at most.

    J. G. van der Corput (1935), from memory: the first n points leave no gap larger than twice the
    smallest; thinning and rounding may add one place of the even grid on either side.
    """
    n = 200_000
    rows = choose(n, np.arange(0, n, 10))
    lost = rows[rows % 10 == 0][:MOST_LOST]
    assert lost.size == MOST_LOST
    for kept in (50, 200, 500, MOST_LOST):  # as many as a page may have room for
        gaps = np.diff(np.sort(lost[:kept]))
        assert gaps.max() <= 2 * gaps.min() + 3 * n / MOST_LOST
        assert lost[:kept].min() < 2 * n / kept + n / MOST_LOST
        assert lost[:kept].max() > n - 3 * n / kept
