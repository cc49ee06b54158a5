"""Rival explanations against faults of cylinders: Bayes' rule, worked out beside it."""

from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from misfire.diagnosis.enginerivals import _find_accompanied, _find_in_step, _find_part
from misfire.diagnosis.rivals import Rival, compete, mark_lost, weigh_many
from tests.builders.engines import make_engine


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


def weigh_three(*, beside):
    """Weigh one cause where cylinder 1 of three loses ten firings, its neighbour with it or not."""
    engine = make_engine((1, 2, 3))
    cylinder = np.tile([1, 2, 3], 200)
    z, lost = np.zeros(cylinder.size), np.zeros(cylinder.size)
    struck = 60 * np.arange(10)
    z[struck], lost[struck] = 9.0, 1.0
    if beside:
        z[struck + 1] = 8.0
    else:  # as often, but never beside a loss of cylinder 1
        z[struck + 31] = 8.0
    evidence = SimpleNamespace(
        torque=SimpleNamespace(deficit_z=z),
        firings=SimpleNamespace(cylinder=cylinder),
        recording=SimpleNamespace(job=SimpleNamespace(engine=engine)),
    )
    (found,) = _find_accompanied(evidence, lost, [1])
    return found.log_odds


def test_of_three_cylinders_two_struck_in_a_row_are_one_cause():
    # beside ten of ten losses, elsewhere in 5 % at most: far likelier by one cause (binomial)
    assert weigh_three(beside=True) > 3.0
    assert weigh_three(beside=False) < -3.0


def weigh_half(*, together, suspects=(1,)):
    """Weigh that half of six cylinders is off, where 1 loses forty firings and 3 and 5 may too."""
    engine = make_engine((1, 4, 2, 5, 3, 6))
    rng = np.random.default_rng(8)
    cylinder, cycle = np.tile(engine.firing_order, 200), np.repeat(np.arange(200), 6)
    bout = (cycle % 50) < 10
    struck = bout & np.isin(cylinder, (1, 3, 5) if together else suspects)
    evidence = SimpleNamespace(
        torque=SimpleNamespace(lack=rng.normal(0.0, 0.2, cycle.size) + np.where(struck, 0.8, 0.0)),
        firings=SimpleNamespace(cylinder=cylinder, cycle=cycle),
        recording=SimpleNamespace(job=SimpleNamespace(engine=engine)),
    )
    lost = np.where(bout & np.isin(cylinder, suspects), 1.0, 0.0)
    found = _find_part(evidence, lost, list(suspects), n_faults=len(suspects))
    return [r.log_odds for r in found]


def test_a_bank_that_lacks_work_in_the_same_cycles_is_switched_off():
    # only cylinder 1 was called lost, or two were: the others of the bank lack as much by the crank
    assert weigh_half(together=True)[0] > 3.0
    assert weigh_half(together=True, suspects=(1, 5))[0] > 3.0
    # one cylinder alone, and two of a bank whose third works on
    assert weigh_half(together=False)[0] < -3.0
    assert weigh_half(together=False, suspects=(1, 4)) == []  # of no half that one switch rests


def weigh_steps(lost):
    """Weigh that firings are dropped by count, in an engine of four that lost these."""
    engine = make_engine()
    evidence = SimpleNamespace(
        firings=SimpleNamespace(cylinder=np.resize(engine.firing_order, lost.size)),
        recording=SimpleNamespace(job=SimpleNamespace(engine=engine)),
    )
    return [r.log_odds for r in _find_in_step(evidence, lost.astype(float))]


def test_firings_lost_by_count_are_not_lost_by_chance():
    place, rng = np.arange(1200), np.random.default_rng(4)
    assert weigh_steps(place % 5 == 0)[0] > 3.0  # each cylinder in turn
    assert weigh_steps(place % 8 == 0)[0] > 3.0  # one cylinder, exactly every second time
    first = place % 4 == 0
    chance = weigh_steps(first & (rng.random(place.size) < 0.3))
    assert not chance or chance[0] < 0.0
    assert weigh_steps(first) == []  # a dead cylinder
    assert weigh_steps(first & (place % 200 < 40)) == []  # dead in bouts
    assert weigh_steps(first & (place % 200 != 0))[0:] == []  # nearly dead
