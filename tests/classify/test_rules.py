"""The physics scores on engines whose truth is known: who is named, and that nobody else is."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from misfire.classify.model import expit
from misfire.classify.rules import score_cylinders, score_firings
from misfire.cycles.assign import find_firings
from misfire.cycles.phase import Phase
from misfire.diagnosis.firings.explanation import explain
from misfire.features.cylinders import build_cylinder_table, find_outstanding
from misfire.features.spark import gather_strokes, iterate_spark
from misfire.features.table import build_firing_table
from misfire.features.torque import compute_torque, measure_gains
from misfire.records import FAULT_TYPES
from tests.builders.coils import make_train
from tests.builders.engines import TorqueEngine, list_firings, make_engine, spark_times

ORDERS = [(1, 2, 3), (1, 3, 4, 2), (1, 5, 3, 6, 2, 4), (1, 8, 4, 3, 6, 5, 7, 2)]


class Judged:
    """One engine judged from its crank and, if asked, one primary for each cylinder."""

    def __init__(self, order=(1, 3, 4, 2), *, coils=False, dark=(), unfired=(), **more):
        engine = make_engine(order)
        self.made = TorqueEngine(engine, **more)
        self.track = self.made.track()
        trains = []
        if coils:
            truth = list_firings(self.made, engine, tdc_deg=84.0, advance_deg=(10.0, 14.0))
            truth = [f for f in truth if (f.cycle, f.cylinder) not in set(unfired)]
            for c in order:
                own = [f for f in truth if f.cylinder == c]
                burn = np.array([0.0 if (f.cycle, c) in set(dark) else 1.5 for f in own])
                trains.append(make_train(spark_times(own), cylinders=(c,), burn_time_ms=burn))
        phase = Phase(84.0, {0: 0.0}, True, True, "given")
        firings = find_firings(self.track, trains, engine=engine, phase=phase)
        torque = compute_torque(
            measure_gains(self.track, firings, engine=engine), firings, engine=engine
        )
        spark = iterate_spark(gather_strokes(firings, trains), firings)
        table = build_firing_table(firings, torque, spark, engine=engine)
        self.firings, self.probability = firings, score_firings(table)
        self.outstanding = find_outstanding(table)
        cylinders = build_cylinder_table(
            table,
            self.probability,
            firings.cylinder,
            n_cylinders=engine.cylinders,
            disturbed=torque.disturbed,
        )
        self.faulty = expit(score_cylinders(cylinders))
        self.faults = explain(
            table, firings.cylinder, faulty=self.faulty, disturbed=torque.disturbed
        ).kinds
        angle = dict(zip(order, engine.firing_angles_deg, strict=True))
        own = np.array([angle[int(c)] for c in firings.cylinder])
        cycle = np.round((firings.tdc_angle_deg - own - 84.0) / 720.0).astype(int)
        pairs = zip(cycle.tolist(), firings.cylinder.tolist(), strict=True)
        self.lost = np.array([p in set(self.made.lost) for p in pairs])

    def lead(self, cylinder):
        return FAULT_TYPES[int(np.argmax(self.faults[cylinder - 1]))]


def every_tenth(cylinder):
    return tuple((cycle, cylinder) for cycle in range(12, 115, 10))


class TestWhoIsNamed:
    @pytest.mark.parametrize("order", ORDERS, ids=len)
    @pytest.mark.parametrize("rpm", [800, 2000])
    def test_lost_now_and_then(self, order, rpm):
        cylinder = order[1]
        judged = Judged(order, rpm=rpm, lost=every_tenth(cylinder))
        assert np.all(judged.probability[judged.lost] >= 0.5)
        assert np.nansum(judged.probability[~judged.lost] >= 0.5) == 0
        assert int(np.argmax(judged.faulty)) + 1 == cylinder
        assert judged.faulty[cylinder - 1] > 0.9
        assert np.delete(judged.faulty, cylinder - 1).max() < 0.25

    @pytest.mark.parametrize("order", ORDERS[1:], ids=len)
    def test_dead_all_the_time(self, order):
        judged = Judged(order, weak={order[-1]: 0.0})
        assert int(np.argmax(judged.faulty)) + 1 == order[-1]
        assert judged.faulty[order[-1] - 1] > 0.9

    def test_no_breakdown(self):
        lost = every_tenth(4)
        judged = Judged(coils=True, lost=lost, dark=lost)
        assert int(np.argmax(judged.faulty)) + 1 == 4
        assert judged.lead(4) in ("open_secondary", "fouled_plug")

    def test_coil_not_switched(self):
        lost = every_tenth(2)
        judged = Judged(coils=True, lost=lost, unfired=lost)
        assert int(np.argmax(judged.faulty)) + 1 == 2
        assert judged.lead(2) == "no_primary"

    def test_torque_lost_with_a_good_spark(self):
        # DESIGN section 4: points to mixture or compression
        judged = Judged(coils=True, lost=every_tenth(3))
        assert judged.lead(3) in ("mixture", "low_compression")


class TestOutstanding:
    @pytest.mark.parametrize("order", ORDERS, ids=len)
    def test_lost_firings_stand_out(self, order):
        judged = Judged(order, rpm=2000, lost=every_tenth(order[1]))
        assert_array_equal(judged.outstanding, judged.lost)

    def test_a_fuel_cut_and_a_weak_cylinder_do_not(self):
        cut = Judged(
            rpm=2500,
            n_cycles=400,
            scale=lambda c: 0.0 if 40 < c % 100 < 70 else 1.0,
            drag=0.3,
            recovery_cycles=40,
        )
        assert not cut.outstanding.any()
        assert not Judged(weak={3: 0.0}).outstanding.any()


class TestNobodyNamed:
    @pytest.mark.parametrize("order", ORDERS, ids=len)
    @pytest.mark.parametrize("rpm", [800, 2500, 5000])
    @pytest.mark.parametrize("pitch_error_deg", [0.0, 0.05])
    def test_healthy(self, order, rpm, pitch_error_deg):
        if len(order) % 2 and pitch_error_deg and rpm > 1000:
            pytest.skip("three cylinders at one steady speed: wheel and cylinder look alike")
        judged = Judged(order, rpm=rpm, pitch_error_deg=pitch_error_deg, n_cycles=150)
        assert np.nansum(judged.probability >= 0.5) == 0
        assert judged.faulty.max() < 0.25

    @pytest.mark.parametrize("seed", range(3))
    def test_fuel_cut(self, seed):
        judged = Judged(
            rpm=2500,
            n_cycles=400,
            scale=lambda c: 0.0 if 40 < c % 100 < 70 else 1.0,
            drag=0.3,
            recovery_cycles=40,
            seed=seed,
        )
        cycle = (judged.firings.tdc_angle_deg - 84.0) / 720.0 % 100
        assert np.nansum(judged.probability[(cycle > 39.5) & (cycle < 70)] >= 0.5) == 0
        assert judged.faulty.max() < 0.25


class TestForm:
    def test_distributions(self):
        judged = Judged(coils=True, lost=every_tenth(1))
        assert_allclose(judged.faults.sum(axis=1), 1.0)
        finite = judged.probability[np.isfinite(judged.probability)]
        assert np.all((finite >= 0) & (finite <= 1))
        assert np.all((judged.faulty >= 0) & (judged.faulty <= 1))

    def test_no_witness_no_judgement(self):
        # no coil and a crank whose angle is unknown there
        judged = Judged(n_cycles=30)
        assert np.isnan(judged.probability[-1])
