"""Calibration moved by the workshop's own vehicles, against labels drawn from known odds."""

import numpy as np
import pytest

from misfire.learning.fitting import LEAST_REAL, _adapt


def draw(n, *, slope, offset, seed=1):
    """Draw odds as a model says them, and labels from the true odds slope x said + offset."""
    rng = np.random.default_rng(seed)
    said = rng.normal(-1.0, 2.5, n)
    return said, rng.random(n) < 1 / (1 + np.exp(-(slope * said + offset)))


def test_many_cases_are_believed():
    said, label = draw(20_000, slope=0.5, offset=1.0)
    slope, offset = _adapt(said, label, n_vehicles=500)
    assert slope * said + offset == pytest.approx(0.5 * said + 1.0, abs=0.2)


def test_few_cases_move_it_a_part_of_the_way():
    # 40 small workshops: slopes between what was believed (1) and the truth (0.5), offset the truth
    slopes, offsets = [], []
    for seed in range(40):
        said, label = draw(80, slope=0.5, offset=1.0, seed=seed)
        slope, offset = _adapt(said, label, n_vehicles=20)
        slopes.append(slope)
        offsets.append(offset)
    assert 0.5 < np.mean(slopes) < 0.9
    assert np.mean(offsets) == pytest.approx(1.0, abs=0.2)


def test_cases_that_agree_leave_it():
    said, label = draw(20_000, slope=1.0, offset=0.0)
    slope, offset = _adapt(said, label, n_vehicles=500)
    assert slope * said + offset == pytest.approx(said, abs=0.25)


@pytest.mark.parametrize("kind", ["too few", "all sound", "none"])
def test_nothing_to_learn_from(kind):
    said, label = draw(80, slope=0.5, offset=1.0)
    n = LEAST_REAL - 1 if kind == "too few" else 20
    if kind == "all sound":
        label[:] = False
    if kind == "none":
        said, label, n = said[:0], label[:0], 0
    assert _adapt(said, label, n_vehicles=n) == (1.0, 0.0)
