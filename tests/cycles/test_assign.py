"""Which cylinder each spark belongs to, on cranks and sparks made with the answer known."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from misfire.cycles.assign import find_firings
from misfire.cycles.phase import Phase, find_phase
from misfire.errors import CycleError
from misfire.records import Cam
from tests.builders.coils import make_train
from tests.builders.engines import (
    INTERVALS_DEG,
    ORDERS,
    list_firings,
    make_engine,
    make_track,
    spark_times,
    time_of,
)
from tests.builders.wheels import Crank

TDC_DEG = 84.0
NO_CAM = np.empty(0)


@pytest.fixture(scope="module")
def crank():
    """Idle to 1400 rev/min and back, with a swing of 3 % twice a turn."""
    return Crank(
        lambda t: 1000 + 400 * np.sin(t / 2), duration_s=12.0, start_deg=130.0, ripple=0.03
    )


def run(crank, engine, trains, *, card_tdc=TDC_DEG, pickups=(), cam_s=NO_CAM, cam=None):
    track = make_track(*crank.teeth("60-2"), tdc_deg=card_tdc)
    phase = find_phase(track, list(trains), list(pickups), cam_s, engine=engine, cam=cam)
    return phase, find_firings(track, list(trains), engine=engine, phase=phase)


def rows_of(firings, truth):
    """Row of each true firing, by its angle of TDC; -1 where the track does not reach it."""
    tdc = np.array([f.tdc_deg for f in truth])
    at = np.abs(firings.tdc_angle_deg[None, :] - tdc[:, None]).argmin(axis=1)
    return np.where(np.abs(firings.tdc_angle_deg[at] - tdc) < 1, at, -1)


def check(firings, truth, *, seen=None, within_s=1e-9):
    """Every true firing within the track has its one row, with its cylinder and instant."""
    rows = rows_of(firings, truth)
    inside = [f for f, row in zip(truth, rows, strict=True) if row >= 0]
    assert len(inside) > 50
    assert len(truth) - len(inside) <= 2  # a spark at the very end, TDC behind it
    time_s = np.array([f.time_s for f in inside])
    cylinder = np.array([f.cylinder for f in inside])
    at = np.abs(firings.spark_s[None, :] - time_s[:, None]).argmin(axis=1)
    assert np.unique(at).size == at.size
    assert_array_equal(firings.cylinder[at], cylinder)
    shown = np.array([seen is None or f.cylinder in seen for f in inside])
    assert_allclose(firings.spark_s[at][shown], time_s[shown], rtol=0, atol=within_s)
    assert firings.seen[at][shown].all()
    assert not firings.seen[at][~shown].any()
    # rows beyond the true ones: sparks before the recording began
    extra = np.setdiff1d(np.arange(firings.cylinder.size), at)
    assert extra.size <= 1
    assert np.all(extra == 0)
    return at, inside


class TestFiringOrders:
    """Sparks 10 to 30 degrees before TDC on a 60-2 wheel; cylinder 1 has its own primary."""

    @pytest.mark.parametrize("order", ORDERS, ids=lambda o: "-".join(map(str, o)))
    @pytest.mark.parametrize("turn", [0.0, 360.0])
    def test_common_feed_and_one_primary(self, crank, order, turn):
        engine = make_engine(order)
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG + turn)
        trains = [
            make_train(spark_times(truth, {1}), cylinders=(1,)),
            make_train(spark_times(truth), role="coil_current"),
        ]
        phase, firings = run(crank, engine, trains)
        assert phase.resolved
        assert firings.resolved
        assert firings.tdc_known
        check(firings, truth)

    @pytest.mark.parametrize("order", ORDERS, ids=lambda o: "-".join(map(str, o)))
    def test_one_coil_of_any_cylinder(self, crank, order):
        engine = make_engine(order)
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG + 360.0, advance_deg=(18.0, 21.0))
        known = order[-1]
        trains = [make_train(spark_times(truth, {known}), cylinders=(known,))]
        phase, firings = run(crank, engine, trains)
        assert phase.resolved
        # the others are placed by the crank: to a millisecond, as their advance wanders
        rows = rows_of(firings, truth)
        inside = rows >= 0
        cylinder = np.array([f.cylinder for f in truth])[inside]
        time_s = np.array([f.time_s for f in truth])[inside]
        assert_array_equal(firings.cylinder[rows[inside]], cylinder)
        assert_allclose(firings.spark_s[rows[inside]], time_s, atol=1e-3)

    @pytest.mark.parametrize("order", ORDERS, ids=lambda o: "-".join(map(str, o)))
    def test_intervals(self, crank, order):
        # ANCHORS D: 720 / Z
        engine = make_engine(order)
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG)
        _, firings = run(crank, engine, [make_train(spark_times(truth, {1}), cylinders=(1,))])
        assert_allclose(np.diff(firings.tdc_angle_deg), INTERVALS_DEG[len(order)])
        follows = {a: b for a, b in zip(order, (*order[1:], order[0]), strict=True)}
        assert [follows[int(c)] for c in firings.cylinder[:-1]] == firings.cylinder[1:].tolist()

    def test_cycles_count_on(self, crank):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG)
        trains = [make_train(spark_times(truth, {1}), cylinders=(1,))]
        _, firings = run(crank, engine, trains)
        at, inside = check(firings, truth, seen={1}, within_s=2e-3)
        cycles = np.array([f.cycle for f in inside])
        assert_array_equal(firings.cycle[at] - firings.cycle[at][0], cycles - cycles[0])

    def test_crank_angle_and_speed(self, crank):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG)
        _, firings = run(
            crank,
            engine,
            [
                make_train(spark_times(truth, {1}), cylinders=(1,)),
                make_train(spark_times(truth), role="coil_current"),
            ],
        )
        at, inside = check(firings, truth)
        assert_allclose(firings.tdc_angle_deg[at], [f.tdc_deg for f in inside], atol=1e-6)
        # 0.1 deg: the line between teeth is straight
        assert_allclose(firings.advance_deg[at], [f.advance_deg for f in inside], atol=0.1)
        middle = firings.rpm[8:-8]
        assert_allclose(middle, 1000 + 400 * np.sin(firings.tdc_s[8:-8] / 2), rtol=0.02)


class TestMissedStrokes:
    def test_they_appear_as_rows(self, crank):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG)
        gone = [f for f in truth if f.cylinder == 3][10:40:6]
        fired = [f for f in truth if f not in gone]
        trains = [make_train(spark_times(fired, {c}), cylinders=(c,)) for c in (1, 2, 3, 4)]
        _, firings = run(crank, engine, trains)
        for f in gone:
            row = np.flatnonzero(np.abs(firings.tdc_angle_deg - f.tdc_deg) < 1)[0]
            assert firings.cylinder[row] == 3
            assert not firings.seen[row]
            assert firings.spark_s[row] == pytest.approx(f.time_s, abs=1e-3)
            assert all(index[row] == -1 for index in firings.stroke_index.values())
        rows = np.isin(firings.tdc_angle_deg.round(3), [round(f.tdc_deg, 3) for f in gone])
        assert firings.seen[~rows].all()

    @pytest.mark.parametrize("apart_s", [0.0018, 0.0025, 0.0032])
    def test_four_strikes_are_dated_by_the_first(self, crank, apart_s):
        # Coils strike several times a firing below some 2000 rev/min (common practice). A clamp
        # that sees every coil shows mostly the later ones: at 1400 rev/min up to 80 degrees on.
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG)
        times = spark_times(truth)
        again = np.sort((times[:, None] + apart_s * np.arange(4)).ravel())
        own = spark_times(truth, {1})
        trains = [
            make_train(np.sort((own[:, None] + apart_s * np.arange(4)).ravel()), cylinders=(1,)),
            make_train(again, role="coil_current"),
        ]
        _, firings = run(crank, engine, trains)
        check(firings, truth)

    def test_second_strikes_count(self, crank):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG, advance_deg=(12.0, 14.0))
        stops = spark_times(truth, {1})
        double = np.sort(np.concatenate((stops, stops + 1.2e-3)))
        _, firings = run(crank, engine, [make_train(double, cylinders=(1,))])
        own = (firings.cylinder == 1) & firings.seen
        assert own.sum() > 40
        assert np.all(firings.strikes[own] == 2)
        near = np.abs(firings.spark_s[own][:, None] - stops[None, :]).min(axis=1)
        assert_allclose(near, 0.0, atol=1e-9)


class TestWasteSpark:
    """Each coil fires both of its cylinders every turn; a pick-up on one lead tells the stroke."""

    def trains(self, truth, engine):
        pairs = engine.waste_pairs
        return [
            make_train(np.sort(spark_times(truth, set(p))), cylinders=p, name=f"coil {p}")
            for p in pairs
        ]

    def truth(self, crank, engine, tdc_deg):
        return list_firings(crank, engine, tdc_deg=tdc_deg, advance_deg=(12.0, 14.0))

    @pytest.mark.parametrize("turn", [0.0, 360.0])
    @pytest.mark.parametrize("order", [(1, 3, 4, 2), (1, 5, 3, 6, 2, 4)], ids=len)
    def test_pickup_tells_the_stroke(self, crank, order, turn):
        engine = make_engine(order, ignition="wasted_spark")
        truth = self.truth(crank, engine, TDC_DEG + turn)
        trains = self.trains(truth, engine)
        mate = {a: b for p in engine.waste_pairs for a, b in (p, p[::-1])}
        own = spark_times(truth, {1})
        other = spark_times(truth, {mate[1]})
        stops = np.concatenate((own, other))
        # compression 9 kV against some 3 on exhaust (ANCHORS C3)
        height = np.concatenate((np.full(own.size, 9.0), np.full(other.size, 3.0)))
        height *= np.random.default_rng(1).normal(1.0, 0.1, height.size)
        rank = np.argsort(stops)
        pickup = make_train(
            stops[rank],
            cylinders=(1,),
            role="coil_secondary",
            firing_v=height[rank],
            burn_level_v=height[rank] / 8,
        )
        phase, firings = run(crank, engine, trains, pickups=[pickup])
        assert phase.resolved
        assert "pick-up" in phase.basis
        check(firings, truth)

    def test_nothing_tells_the_stroke(self, crank):
        engine = make_engine(ignition="wasted_spark")
        truth = self.truth(crank, engine, TDC_DEG)
        phase, firings = run(crank, engine, self.trains(truth, engine))
        assert not phase.resolved
        assert not firings.resolved
        assert firings.mates == {1: 4, 4: 1, 3: 2, 2: 3}
        assert "phase_unknown" in {f.code for f in firings.findings}
        # the instants are right all the same
        near = [np.abs(firings.spark_s - f.time_s).min() for f in truth[4:-4]]
        assert max(near) < 1e-6

    @pytest.mark.parametrize("turn", [0.0, 360.0])
    def test_cam(self, crank, turn):
        engine = make_engine(ignition="wasted_spark")
        truth = self.truth(crank, engine, TDC_DEG + turn)
        cam_s = cam_rises(crank, TDC_DEG + turn + 312.0)
        phase, firings = run(
            crank, engine, self.trains(truth, engine), cam_s=cam_s, cam=Cam(edge_deg=312.0)
        )
        assert phase.resolved
        assert "cam" in phase.basis
        check(firings, truth)


def cam_rises(crank, first_deg, *, wander_deg=8.0):
    """One edge a cycle; a variable cam wanders some degrees."""
    turns = np.arange(-2, int(crank.angle_deg[-1] / 720.0) + 1)
    angle = first_deg + 720.0 * turns + wander_deg * np.sin(turns / 5)
    angle = angle[(angle > crank.angle_deg[0]) & (angle < crank.angle_deg[-1])]
    return time_of(crank, angle)


class TestOddFire:
    # a V6 of 90 degrees with common crank pins: 90 and 150 degrees in turn (common practice)
    ANGLES = (0.0, 90.0, 240.0, 330.0, 480.0, 570.0)
    ORDER = (1, 6, 5, 4, 3, 2)

    @pytest.mark.parametrize("known", [1, 4])
    def test_one_primary_and_the_feed(self, crank, known):
        engine = make_engine(self.ORDER, angles=self.ANGLES)
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG)
        trains = [
            make_train(spark_times(truth, {known}), cylinders=(known,)),
            make_train(spark_times(truth), role="coil_current"),
        ]
        phase, firings = run(crank, engine, trains)
        assert phase.resolved
        check(firings, truth)

    def test_uneven_intervals_tell_the_revolution(self, crank):
        # angles that differ between the two revolutions of the cycle
        engine = make_engine((1, 2), angles=(0.0, 270.0))
        for turn in (0.0, 360.0):
            truth = list_firings(crank, engine, tdc_deg=TDC_DEG + turn, advance_deg=(12.0, 16.0))
            phase, firings = run(crank, engine, [make_train(spark_times(truth))])
            assert phase.resolved
            check(firings, truth)


class TestDistributor:
    @pytest.mark.parametrize("turn", [0.0, 360.0])
    def test_pickup_on_one_lead(self, crank, turn):
        engine = make_engine(ignition="distributor")
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG + turn)
        stops = spark_times(truth)
        loud = np.array([8.0 if f.cylinder == 1 else 0.6 for f in truth])
        pickup = make_train(
            stops, cylinders=(1,), role="coil_secondary", firing_v=loud, burn_level_v=loud / 8
        )
        phase, firings = run(crank, engine, [make_train(stops)], pickups=[pickup])
        assert phase.resolved
        check(firings, truth)


class TestMissingTdc:
    @pytest.mark.parametrize("order", [(1, 2, 3), (1, 3, 4, 2), (1, 5, 3, 6, 2, 4)], ids=len)
    @pytest.mark.parametrize("tdc_deg", [84.0, 290.0, 512.0])
    def test_from_the_sparks_of_one_cylinder(self, crank, order, tdc_deg):
        engine = make_engine(order)
        truth = list_firings(crank, engine, tdc_deg=tdc_deg, advance_deg=(10.0, 14.0))
        trains = [
            make_train(spark_times(truth, {1}), cylinders=(1,)),
            make_train(spark_times(truth), role="coil_current"),
        ]
        phase, firings = run(crank, engine, trains, card_tdc=None)
        assert not phase.tdc_known
        assert "tdc_worked_out" in {f.code for f in phase.findings}
        # the usual advance is 12 degrees; half a firing interval would be wrong
        assert abs((phase.tdc_deg - tdc_deg + 180.0) % 360.0 - 180.0) < 10.0
        at = [np.abs(firings.spark_s - f.time_s).argmin() for f in truth[12:-12]]
        assert_array_equal(firings.cylinder[at], [f.cylinder for f in truth[12:-12]])
        assert firings.seen[at].all()


class TestWithoutWitness:
    @pytest.mark.parametrize("order", [(1, 3, 4, 2), (1, 5, 3, 6, 2, 4)], ids=len)
    def test_crank_alone(self, crank, order):
        phase, firings = run(crank, make_engine(order), [])
        assert not phase.resolved
        assert not firings.resolved

    def test_common_feed_alone(self, crank):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG)
        phase, firings = run(crank, engine, [make_train(spark_times(truth), role="coil_current")])
        assert not phase.resolved
        assert not firings.resolved
        assert "phase_unknown" in {f.code for f in firings.findings}

    def test_a_coil_that_fires_every_turn_tells_nothing(self, crank):
        # labelled as cylinder 1's alone, but it is a waste-spark coil
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG, advance_deg=(12.0, 14.0))
        phase, _ = run(crank, engine, [make_train(spark_times(truth, {1, 4}), cylinders=(1,))])
        assert not phase.resolved

    @pytest.mark.parametrize("order", [(1, 2, 3), (1, 2, 4, 5, 3)], ids=len)
    def test_odd_number_of_cylinders_needs_one_too(self, crank, order):
        # no cylinder has a mate 360 degrees away, but who fires still differs by the revolution
        phase, firings = run(crank, make_engine(order), [])
        assert not phase.resolved
        assert not firings.resolved
        assert "phase_unknown" in {f.code for f in firings.findings}


class TestSyncLoss:
    def test_each_stretch_finds_its_revolution(self, crank):
        time_s, angle = crank.teeth("60-2")
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG)
        # half a second lost: the decoder counts on from a wrong revolution
        lost = (time_s > 5.0) & (time_s < 5.6)
        shifted = np.where(time_s >= 5.6, angle + 360.0, angle)[~lost]
        stretch = (time_s[~lost] >= 5.6).astype(np.int32)
        track = make_track(time_s[~lost], shifted, tdc_deg=TDC_DEG, stretch=stretch)
        trains = [make_train(spark_times(truth, {c}), cylinders=(c,)) for c in (1, 2, 3, 4)]
        phase = find_phase(track, trains, [], NO_CAM, engine=engine, cam=None)
        firings = find_firings(track, trains, engine=engine, phase=phase)
        for f in truth:
            if 0.2 < f.time_s < 4.8 or 5.8 < f.time_s < 11.8:
                row = np.abs(firings.spark_s - f.time_s).argmin()
                assert firings.spark_s[row] == pytest.approx(f.time_s, abs=1e-9)
                assert firings.cylinder[row] == f.cylinder

    def test_no_power_stroke(self):
        track = make_track(np.arange(5) * 1e-3, np.arange(5) * 6.0 + 100.0, tdc_deg=TDC_DEG)
        phase = Phase(TDC_DEG, {0: 0.0}, True, True, "given")
        with pytest.raises(CycleError, match="no whole power stroke: record for longer"):
            find_firings(track, [], engine=make_engine(), phase=phase)
