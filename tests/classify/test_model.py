"""What stands around the learned ensembles: candidates, a cylinder's prior, holding back."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_array_equal
from scipy import stats

from misfire.classify.model import (
    LEAST_SUSPECT,
    NO_CHANCE,
    PLAIN,
    TOO_FEW,
    UNSHOWN,
    Model,
    _bound_chance,
    find_candidates,
    find_unloaded,
    hold_back,
    refine_firings,
    speak_up,
)
from misfire.classify.trees import Trees
from misfire.columns import CYLINDER_COLUMNS, FIRING_COLUMNS

N = 200


def make_model() -> Model:
    """Build a model of which only the usual share of lost firings is asked here."""
    nothing = Trees.__new__(Trees)
    knots = np.array([[0.0, 1.0], [0.0, 1.0]])
    return Model(
        event=nothing,
        event_knots=knots,
        cylinder=nothing,
        cylinder_knots=knots,
        fault=nothing,
        fault_types=(),
        temperature=1.0,
        lost_share=0.1,
        event_columns=(),
        cylinder_columns=(),
        fault_columns=(),
    )


def make_firings(z: np.ndarray) -> pd.DataFrame:
    table = pd.DataFrame(np.nan, index=range(z.size), columns=list(FIRING_COLUMNS))
    table["torque_deficit_z"] = z
    table["torque_step_z"] = z
    table["torque_deficit_energy"] = 500.0
    return table


def odds(p):
    return p / (1 - p)


class TestRefine:
    def test_in_a_sound_cylinder_the_odds_fall_with_the_cylinders(self):
        # Bayes: odds of the firing times odds of its cylinder
        table = make_firings(np.full(N, 5.0))
        cylinder = np.full(N, 1)
        before = np.full(N, 0.7)
        for faulty in (0.1, 0.3, 0.49):
            after = refine_firings(make_model(), table, before, cylinder, np.array([faulty]))
            assert odds(after) == pytest.approx(odds(0.7) * odds(faulty))
        least = refine_firings(make_model(), table, before, cylinder, np.array([1e-6]))
        assert odds(least) == pytest.approx(odds(0.7) * odds(LEAST_SUSPECT))

    def test_in_a_dead_cylinder_doubtful_firings_count(self):
        z = np.full(N, 5.0)
        before = np.where(np.arange(N) % 4, 0.95, 0.3)
        after = refine_firings(
            make_model(), make_firings(z), before, np.full(N, 1), np.array([0.99])
        )
        assert np.all(after >= before)
        assert np.all(after > 0.5)

    def test_what_is_no_candidate_stays(self):
        table = make_firings(np.zeros(N))
        before = np.full(N, 0.002)
        after = refine_firings(make_model(), table, before, np.full(N, 1), np.array([0.1]))
        assert_array_equal(after, before)


class TestUnloaded:
    """Where nothing took the energy there was no spark (energy of a coil, ANCHORS C1)."""

    def make(self, *, torque: float, kick: float, ring: float) -> pd.DataFrame:
        table = make_firings(np.full(N, torque))
        table["no_breakdown"] = 1.0
        table["breakdown_us_own"], table["ring_v_own"] = kick, ring
        return table

    def test_is_lost(self):
        assert find_unloaded(self.make(torque=np.nan, kick=1.9, ring=1.9)).all()

    @pytest.mark.parametrize(
        ("torque", "kick", "ring"),
        [(0.0, 1.9, 1.9), (np.nan, 0.0, 1.9), (np.nan, 1.9, 0.0), (np.nan, np.nan, np.nan)],
    )
    def test_is_not_sure(self, torque, kick, ring):
        # torque is heard first; a line that the channel cannot show leaves kick and ringing alone
        assert not find_unloaded(self.make(torque=torque, kick=kick, ring=ring)).any()


class TestHoldBack:
    def make(self, **columns) -> pd.DataFrame:
        table = pd.DataFrame(0.0, index=[1], columns=list(CYLINDER_COLUMNS))
        table["firings_log"] = np.log1p(500)
        for name, value in columns.items():
            table[name] = value
        return table

    def test_nothing_to_show(self):
        assert hold_back(self.make(), np.array([0.9]))[0] == UNSHOWN

    def test_a_lost_firing_shows(self):
        table = self.make(lost_count_log=np.log1p(12))
        assert hold_back(table, np.array([0.9]))[0] == 0.9

    def test_many_doubtful_firings_show(self):
        table = self.make(lost_probability_mean=0.02)  # 10 lost of 500 are expected
        assert hold_back(table, np.array([0.9]))[0] == 0.9

    def test_a_few_cycles_are_not_enough(self):
        table = self.make(lost_count_log=np.log1p(3), firings_log=np.log1p(8))
        assert hold_back(table, np.array([0.9]))[0] == TOO_FEW


NONE_STAND_OUT = np.zeros(4, int)


class TestSpeakUp:
    def make(self, *share: float) -> pd.DataFrame:
        index = range(1, len(share) + 1)
        table = pd.DataFrame(0.0, index=index, columns=list(CYLINDER_COLUMNS))
        table["firings_log"] = np.log1p(100)
        table["no_dwell_share"] = share
        return table

    def test_one_coil_that_was_not_switched(self):
        said = speak_up(self.make(0.08, 0.0, 0.0, np.nan), np.full(4, 0.3), NONE_STAND_OUT)
        assert said.tolist() == [PLAIN, 0.3, 0.3, 0.3]

    def test_a_coil_whose_switching_was_only_not_seen(self):
        table, same = self.make(0.08, 0.0, 0.0, np.nan), np.full(4, 0.3)
        unseen = np.array([True, False, False, False])
        assert_array_equal(speak_up(table, same, NONE_STAND_OUT, unseen), same)
        assert speak_up(table, same, NONE_STAND_OUT, ~unseen)[0] == PLAIN

    @pytest.mark.parametrize(
        "share",
        [(0.5, 0.5, 0.6, 0.5), (0.03, 0.0, 0.0, 0.0), (0.9, np.nan, np.nan, np.nan)],
        ids=["all alike", "too few", "one coil watched"],
    )
    def test_that_says_nothing(self, share):
        same = np.full(4, 0.3)
        assert_array_equal(speak_up(self.make(*share), same, NONE_STAND_OUT), same)

    def test_one_cylinder_whose_firings_stand_out(self):
        said = speak_up(self.make(*[np.nan] * 4), np.full(4, 0.3), np.array([0, 16, 2, 0]))
        assert said.tolist() == [0.3, PLAIN, 0.3, 0.3]

    def test_four_firings_of_one_cylinder_and_none_of_three_others(self):
        said = speak_up(self.make(*[np.nan] * 4), np.full(4, 0.3), np.array([0, 0, 4, 0]))
        assert said.tolist() == [0.3, 0.3, PLAIN, 0.3]

    def test_six_of_one_cylinder_and_none_of_its_only_neighbour(self):
        same = np.full(2, 0.3)
        for n, says in ((6, False), (7, True)):
            chance = 2 * stats.binom(n, 0.5).sf(n - 1)
            assert bool(chance <= NO_CHANCE) is says
            said = speak_up(self.make(np.nan, np.nan), same, np.array([n, 0]))
            assert bool(said.max() == PLAIN) is says

    @pytest.mark.parametrize(("n", "total"), [(2, 9), (4, 17), (12, 40)])
    def test_the_bound_is_one(self, n, total):
        """Never below what scipy's binomial law says."""
        for most in range(total + 1):
            counts = np.zeros(n, int)
            counts[:2] = most, total - most
            exact = n * stats.binom(total, 1 / n).sf(most - 1)
            assert _bound_chance(counts)[0] >= exact * (1 - 1e-12) or most * n <= total

    @pytest.mark.parametrize("count", [(3, 0, 0, 0), (19, 27, 32, 14), (9, 3, 3, 2)])
    def test_what_shakes_the_whole_engine_says_nothing(self, count):
        same = np.full(4, 0.3)
        assert_array_equal(speak_up(self.make(*[np.nan] * 4), same, np.array(count)), same)


def test_candidates():
    z = np.array([0.0, 1.4, 1.6, np.nan])
    assert find_candidates(make_firings(z)).tolist() == [False, False, True, False]
    table = make_firings(np.zeros(2))
    table["no_breakdown"] = [0.0, 1.0]
    assert find_candidates(table).tolist() == [False, True]
