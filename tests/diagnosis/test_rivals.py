"""Rival explanations against faults of cylinders: Bayes' rule, worked out beside it."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from misfire.diagnosis.rivals import Rival, compete, mark_lost, weigh_many


def rival(log_odds, text="it", **more):
    return Rival("code", "engine", log_odds, text, **more)


def test_even_odds_leave_half():
    left, winner = compete(np.array([0.9, 0.02]), [rival(0.0)])
    assert_allclose(left, [0.45, 0.01])
    assert winner is not None


def test_two_rivals_share_what_the_cylinders_lose():
    # odds of 2 and 3 to one against faults of cylinders: these keep 1 of 1 + 2 + 3 parts
    left, winner = compete(
        np.array([0.6]), [rival(np.log(2.0), "two"), rival(np.log(3.0), "three")]
    )
    assert left[0] == pytest.approx(0.6 / 6.0)
    assert winner.text == "three"


def test_an_unlikely_rival_changes_little_and_wins_nothing():
    left, winner = compete(np.array([0.9]), [rival(-4.0)])
    assert left[0] == pytest.approx(0.9 / (1.0 + np.exp(-4.0)))
    assert winner is None
    assert compete(np.array([0.9]), []) == (np.array([0.9]), None)


def test_each_further_cylinder_makes_one_cause_ten_times_likelier():
    # a fault in one of ten cylinders, each by itself; three causes of the engine to seven of one
    assert weigh_many(3) - weigh_many(2) == pytest.approx(np.log(10.0))
    assert weigh_many(1) < 0.0 < weigh_many(2)


def test_unknown_firings_are_not_lost():
    class Evidence:
        class firings:  # noqa: N801 - stands for the record of that name
            cylinder = np.array([1, 2, 1, 2])

    lost = mark_lost(Evidence, np.array([0.9, 0.9, np.nan, 0.1]), [1])
    assert lost.tolist() == [True, False, False, False]
