"""The two feature tables: names in order, NaN where a witness is missing, sums by cylinder."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import poisson

from misfire.columns import CYLINDER_COLUMNS, FIRING_COLUMNS, SPARK_COLUMNS, TORQUE_COLUMNS
from misfire.cycles.assign import find_firings
from misfire.cycles.phase import Phase
from misfire.features.cylinders import build_cylinder_table
from misfire.features.table import build_firing_table
from misfire.features.torque import compute_torque, measure_gains
from tests.builders.engines import TorqueEngine, make_engine

LOST = tuple((c, 3) for c in range(15, 110, 10))


@pytest.fixture(scope="module")
def run():
    """Four cylinders at idle; cylinder 3 loses a combustion every tenth cycle."""
    engine = make_engine()
    made = TorqueEngine(engine, lost=LOST)
    track = made.track()
    phase = Phase(made.tdc_deg, {0: 0.0}, True, True, "given")
    firings = find_firings(track, [], engine=engine, phase=phase)
    torque = compute_torque(measure_gains(track, firings, engine=engine), firings, engine=engine)
    return engine, firings, torque, build_firing_table(firings, torque, {}, engine=engine)


def truly_lost(run):
    engine, firings, _, _ = run
    angle = dict(zip(engine.firing_order, engine.firing_angles_deg, strict=True))
    own = np.array([angle[int(c)] for c in firings.cylinder])
    cycle = np.round((firings.tdc_angle_deg - own - 84.0) / 720.0).astype(int)
    pairs = zip(cycle.tolist(), firings.cylinder.tolist(), strict=True)
    return np.array([p in set(LOST) for p in pairs])


class TestFiringTable:
    def test_columns_and_rows(self, run):
        _, firings, _, table = run
        assert tuple(table.columns) == FIRING_COLUMNS
        assert len(table) == firings.cylinder.size
        assert all(kind == np.float64 for kind in table.dtypes)

    def test_without_a_crank(self, run):
        engine, firings, _, _ = run
        table = build_firing_table(firings, None, {}, engine=engine)
        assert table[list(TORQUE_COLUMNS)].isna().to_numpy().all()
        assert table[list(SPARK_COLUMNS)].isna().to_numpy().all()
        assert (table["cylinders"] == 4).all()

    def test_relative_energy(self, run):
        # in parts of omega^2/2; the work of one combustion is the builder's 530 1/s^2
        _, firings, _, table = run
        lost = truly_lost(run)
        assert lost.sum() == len(LOST)
        omega2 = (firings.rpm[lost] * np.pi / 30) ** 2 / 2
        ratio = table["torque_deficit_relative"][lost] / (530.0 / omega2)
        assert np.median(ratio) == pytest.approx(1.0, abs=0.05)
        assert_allclose(ratio, 1.0, atol=0.15)

    def test_neighbours_in_time(self, run):
        _, _, _, table = run
        z = table["torque_deficit_z"].to_numpy()
        assert_array_equal(table["torque_mate_z"].to_numpy()[2:], z[:-2])

    def test_speed_change(self, run):
        _, firings, _, table = run
        change = (firings.rpm[4:] - firings.rpm[:-4]) / firings.rpm[4:]
        assert_allclose(table["speed_change_relative"].to_numpy()[4:], change)


class TestCylinderTable:
    def build(self, run, probability, **more):
        engine, firings, _, table = run
        return build_cylinder_table(
            table, probability, firings.cylinder, n_cylinders=engine.cylinders, **more
        )

    def test_columns(self, run):
        table = self.build(run, np.zeros(len(run[3])))
        assert tuple(table.columns) == CYLINDER_COLUMNS
        assert table.index.tolist() == [1, 2, 3, 4]

    def test_counts(self, run):
        """A firing counts by how likely it was lost, one that hardly was not at all."""
        _, firings, _, _ = run
        probability = np.where(truly_lost(run), 0.9, 0.01)
        probability[:6] = np.nan
        table = self.build(run, probability)
        judged = np.array([np.sum(firings.cylinder[6:] == c) for c in (1, 2, 3, 4)])
        assert_allclose(np.expm1(table["firings_log"]), judged)
        n, expected = len(LOST), 0.5 * judged[2] / (judged.sum() - judged[2] + 1)
        chance = poisson.sf(n - 1, expected)  # against the reference library
        surprise = table["outstanding_surprise"]
        assert_allclose(surprise[[1, 2, 4]], 0, atol=1e-9)
        # Stirling: the bound is off by less than the root of 2 pi n
        assert 0 < -np.log(chance) - surprise[3] < 0.5 * np.log(2 * np.pi * n) + 0.1
        assert_allclose(table["lost_share"], [0, 0, 0.9 * len(LOST) / judged[2], 0])
        assert table.loc[3, "lost_run_length"] == 1.0
        assert table.loc[3, "lost_share_others"] == 0.0
        assert table.loc[1, "lost_share_others"] == pytest.approx(0.9 * len(LOST) / judged[2])

    def test_firings_that_lack_torque(self, run):
        # a Poisson count at the others' median rate (its spread: scipy), half a firing added
        engine, firings, _, table = run
        z = np.zeros(firings.cylinder.size)
        for cylinder, n in ((1, 2), (2, 3), (3, 12), (4, 2)):
            z[np.flatnonzero(firings.cylinder == cylinder)[:n]] = 4.0
        table = table.assign(torque_own_z=z, torque_step_z=z + 1.0)
        tails = build_cylinder_table(
            table, np.zeros(z.size), firings.cylinder, n_cylinders=engine.cylinders
        )["torque_tail_z"]
        expected = 2.5  # firings: the median of the others, as many seen of each
        assert tails[3] == pytest.approx((12 - expected) / poisson(expected + 1).std(), rel=0.02)
        assert tails.drop(3).abs().max() < 1.0

    def test_run_length(self, run):
        _, firings, _, _ = run
        probability = np.zeros(firings.cylinder.size)
        own = np.flatnonzero(firings.cylinder == 2)
        for first, n in ((10, 1), (20, 2), (40, 3)):
            probability[own[first : first + n]] = 1.0
        assert self.build(run, probability).loc[2, "lost_run_length"] == 2.0

    def test_torque(self, run):
        probability = np.where(truly_lost(run), 0.9, 0.01)
        table = self.build(run, probability)
        assert_allclose(table["torque_median_energy"], 0.0, atol=53.0)
        assert table["torque_lost_z"].drop(3).isna().all()

    def test_nothing_judged(self, run):
        table = self.build(run, np.full(len(run[3]), np.nan))
        assert_array_equal(table["firings_log"], 0.0)
        assert table["lost_share"].isna().all()

    def test_a_cylinder_nobody_saw(self, run):
        engine, firings, _, table = run
        keep = firings.cylinder != 4
        part = build_cylinder_table(
            table[keep], np.zeros(keep.sum()), firings.cylinder[keep], n_cylinders=engine.cylinders
        )
        assert part.loc[4, "firings_log"] == 0.0
        assert part.loc[4, ["torque_median_z", "no_breakdown_share"]].isna().all()
        assert isinstance(part, pd.DataFrame)
