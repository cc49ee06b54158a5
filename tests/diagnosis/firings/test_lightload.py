"""Closed throttle against fuel cut: by definition of a Markov chain, and by simulated vehicles."""

from itertools import pairwise, product

import numpy as np
import pytest

from misfire import diagnose
from misfire.diagnosis.firings.lightload import find_light_work
from misfire.dsp.chances import log_normal
from misfire.simulate import Scenario, simulate, write_recording
from misfire.simulate.scenario import DriveModel, FaultModel

SIGMA = 0.05


def find(lack, losing, begins=None):
    begins = np.arange(lack.size) == 0 if begins is None else begins
    sigma = np.full(lack.size, SIGMA)
    return find_light_work(lack, sigma, log_normal(lack, sigma), losing, begins)


def make_stretch(works, *, dead=0, n_cylinders=4, seed=1):
    """Lack of every firing where a combustion is worth `works`; one cylinder burns nothing."""
    rng = np.random.default_rng(seed)
    n = len(works)
    lack = rng.normal(0.0, SIGMA, n)
    own = np.arange(n) % n_cylinders == dead
    lack[own] += np.array(works)[own]
    return lack, np.where(own, 0.98, 0.0)


def test_a_dead_cylinder_lacks_what_the_others_give():
    found = find(*make_stretch([0.3] * 80))
    assert (found > 0).all()
    assert found[0] == pytest.approx(0.3, rel=0.3)


def test_where_the_fuel_is_cut_it_lacks_nothing():
    assert not find(*make_stretch([0.0] * 80)).any()


def test_the_cut_begins_in_the_middle():
    found = find(*make_stretch([0.4] * 60 + [0.0] * 60)) > 0
    assert found[:52].all()
    assert not found[68:].any()


def test_without_a_losing_cylinder_nothing_tells():
    lack, losing = make_stretch([0.3] * 40)
    assert not find(lack, np.zeros_like(losing)).any()


def test_more_than_usual_is_no_loss():
    lack, losing = make_stretch([-0.3] * 80)
    assert not find(lack, losing).any()


def test_by_all_ways_through_the_chain():
    """Rabiner 1989: posterior and likelihood by their definition, the sum over all paths."""
    from misfire.diagnosis.firings import lightload

    rng = np.random.default_rng(3)
    told = rng.normal(0.0, 1.5, (1, 9))
    begins = np.isin(np.arange(9), (0, 5))
    change = 1.0 / 20.0
    total, burning = 0.0, np.zeros(9)
    for path in product((0, 1), repeat=9):
        chance = np.exp(np.array(path) @ told[0])
        for at, (before, state) in enumerate(pairwise(path), 1):
            chance *= 0.5 if begins[at] else (1 - change if before == state else change)
        chance *= 0.5
        total += chance
        burning += chance * np.array(path)
    found, log_total = lightload._follow(told, begins)
    assert found[0] == pytest.approx(burning / total, rel=1e-9)
    assert log_total[0] == pytest.approx(np.log(total), rel=1e-9)


@pytest.mark.parametrize("seed", [11, 12])
def test_losses_on_a_closed_throttle_are_found_and_none_in_a_fuel_cut(seed, tmp_path):
    dead = (FaultModel("open_secondary", "lead", cylinder=3, rate=1.0),)
    revved = DriveModel(condition="idle", blip_s=5.0)
    for drive in (revved, DriveModel(condition="overrun")):
        made = simulate(Scenario(seed=seed, duration_s=25.0, drive=drive, fault=dead))
        job = write_recording(made, tmp_path / drive.condition, fmt="wav")
        events = diagnose(job).events
        of_3 = events["cylinder"] == 3
        true = made.truth["events"]
        at = np.array(true["time_s"])
        nearest = np.abs(events["time_s"].to_numpy()[:, None] - at).argmin(axis=1)
        cut = np.array(true["fuel_cut"])[nearest]
        said = events["work"].astype(str)
        # but for a few at the ends of the recording and of each lift-off
        assert (said[of_3 & ~cut] == "lost").mean() > 0.94
        assert (said[~cut] == "cut").mean() < 0.03
        assert cut.any() == (drive.condition == "overrun")
        assert np.sum(said[cut] == "lost") < 0.02 * said.size
