"""Cycles from the sparks alone, where there is no crank channel."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from misfire.cycles.assign import find_firings
from misfire.cycles.phase import find_phase
from misfire.cycles.sparkclock import track_from_sparks
from misfire.errors import CycleError
from tests.builders.coils import make_train
from tests.builders.engines import ORDERS, list_firings, make_engine, spark_times
from tests.builders.wheels import Crank


@pytest.fixture(scope="module")
def crank():
    """Idle, up to 2200 rev/min and back within six seconds."""
    return Crank(lambda t: 1450 + 750 * np.sin(t - 1.5), duration_s=12.0, ripple=0.01)


def run(engine, trains):
    track = track_from_sparks(trains, engine=engine)
    phase = find_phase(track, trains, [], np.empty(0), engine=engine, cam=None)
    return track, find_firings(track, trains, engine=engine, phase=phase)


def own_trains(truth, engine):
    return [make_train(spark_times(truth, {c}), cylinders=(c,)) for c in engine.firing_order]


def check(firings, truth, *, gone=()):
    """Each spark has its row; each spark that never came has one near its expected instant."""
    time_s = np.array([f.time_s for f in truth])[2:-2]
    cylinder = np.array([f.cylinder for f in truth])[2:-2]
    at = np.abs(firings.spark_s[None, :] - time_s[:, None]).argmin(axis=1)
    assert np.abs(firings.spark_s[at] - time_s).max() < 1e-9
    assert_array_equal(firings.cylinder[at], cylinder)
    assert firings.seen[at].all()
    for f in gone:
        own = np.flatnonzero(firings.cylinder == f.cylinder)
        row = own[np.abs(firings.spark_s[own] - f.time_s).argmin()]
        assert not firings.seen[row]
        # expected from the sparks around: to a tenth of the firing interval at idle
        assert firings.spark_s[row] == pytest.approx(f.time_s, abs=4e-3)


class TestLabelledPrimaries:
    @pytest.mark.parametrize("order", ORDERS, ids=lambda o: "-".join(map(str, o)))
    def test_every_order(self, crank, order):
        engine = make_engine(order)
        truth = list_firings(crank, engine, tdc_deg=84.0)
        _, firings = run(engine, own_trains(truth, engine))
        check(firings, truth)
        assert firings.resolved
        follows = {a: b for a, b in zip(order, (*order[1:], order[0]), strict=True)}
        assert [follows[int(c)] for c in firings.cylinder[:-1]] == firings.cylinder[1:].tolist()

    @pytest.mark.parametrize("lost", [1, 2, 3, 4])
    def test_trigger_missing_now_and_then(self, crank, lost):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=84.0)
        mine = [f for f in truth[8:-8] if f.cylinder == lost]
        gone = mine[3::7]
        fired = [f for f in truth if f not in gone]
        _, firings = run(engine, own_trains(fired, engine))
        check(firings, fired, gone=gone)
        # nothing else is missing
        inside = (firings.spark_s > truth[4].time_s) & (firings.spark_s < truth[-4].time_s)
        assert np.sum(~firings.seen & inside) == len(gone)

    def test_two_missing_in_a_row(self, crank):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=84.0)
        gone = truth[40:42] + truth[101:103]
        fired = [f for f in truth if f not in gone]
        _, firings = run(engine, own_trains(fired, engine))
        check(firings, fired, gone=gone)

    def test_speed(self, crank):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=84.0, advance_deg=(12.0, 13.0))
        _, firings = run(engine, own_trains(truth, engine))
        inner = slice(12, -12)
        true = 1450 + 750 * np.sin(firings.spark_s[inner] - 1.5)
        assert np.abs(firings.rpm[inner] / true - 1).max() < 0.03


class TestOneChannel:
    def test_one_primary(self, crank):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=84.0, advance_deg=(12.0, 14.0))
        train = make_train(spark_times(truth, {3}), cylinders=(3,))
        _, firings = run(engine, [train])
        own = firings.seen
        assert_array_equal(np.unique(firings.cylinder[own]), [3])
        assert own.sum() >= train.strokes.size - 2

    def test_primary_and_common_feed(self, crank):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=84.0)
        trains = [
            make_train(spark_times(truth, {1}), cylinders=(1,)),
            make_train(spark_times(truth), role="coil_current"),
        ]
        _, firings = run(engine, trains)
        check(firings, truth)


class TestWhatIsNoFiring:
    """The speed stays that of the engine whatever a channel shows beside its firings."""

    @pytest.mark.parametrize("common", [False, True], ids=["own coils", "common feed"])
    def test_several_strikes_a_firing(self, crank, common):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=84.0)
        trains = [make_train(strike(spark_times(truth, {1}), 4), cylinders=(1,))]
        if common:
            trains.append(make_train(strike(spark_times(truth), 4), role="coil_current"))
        else:
            trains += [
                make_train(strike(spark_times(truth, {c}), 4), cylinders=(c,)) for c in (3, 4, 2)
            ]
        _, firings = run(engine, trains)
        check(firings, truth)
        assert_speed(firings)

    def test_a_lead_that_hears_all_the_others(self, crank):
        engine = make_engine(ignition="distributor")
        truth = list_firings(crank, engine, tdc_deg=84.0)
        trains = [
            make_train(spark_times(truth), cylinders=engine.firing_order),
            make_train(spark_times(truth) + 2e-5, cylinders=(1,), role="coil_secondary"),
        ]
        track, firings = run(engine, trains)
        assert track.wheel.tdc_deg is None  # it does not tell which cylinder is which
        assert_speed(firings)

    def test_a_lead_that_hears_some_of_the_others_faintly(self, crank):
        # by chance, and now and then two in a row: a twentieth of what its own plug asks for
        engine = make_engine(ignition="distributor")
        truth = list_firings(crank, engine, tdc_deg=84.0)
        own, heard = spark_times(truth, {1}), spark_times(truth, {3, 4})[100:110]
        stop_s = np.concatenate((own, heard)) + 2e-5
        height = np.concatenate((np.full(own.size, 1.3), np.full(heard.size, 0.06)))
        order = np.argsort(stop_s)
        trains = [
            make_train(spark_times(truth), cylinders=engine.firing_order),
            make_train(
                stop_s[order], cylinders=(1,), role="coil_secondary", firing_v=height[order]
            ),
        ]
        track, firings = run(engine, trains)
        assert track.wheel.tdc_deg == 0.0
        assert_speed(firings)

    @pytest.mark.parametrize("seed", range(3))
    def test_strays(self, crank, seed):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=84.0)
        after = np.random.default_rng(seed).choice(spark_times(truth)[8:-8], 9, replace=False)
        stops = np.sort(np.concatenate((spark_times(truth, {1}), after + 6e-3)))
        trains = [
            make_train(stops, cylinders=(1,)),
            make_train(spark_times(truth), role="coil_current"),
        ]
        track, firings = run(engine, trains)
        assert np.isin(spark_times(truth)[8:-8], track.time_s).all()
        assert np.unique(track.stretch).size == 1
        assert_speed(firings)

    def test_sparks_seen_at_the_wrong_time(self, crank):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=84.0)
        stops = spark_times(truth)
        late = np.arange(20, stops.size - 20, 17)
        seen = stops.copy()
        seen[late] += 0.4 * (stops[late + 1] - stops[late])
        own = np.array([f.cylinder for f in truth])
        _, firings = run(engine, [make_train(seen[own == c], cylinders=(c,)) for c in (1, 3, 4, 2)])
        inner = slice(12, -12)
        true = 1450 + 750 * np.sin(firings.spark_s[inner] - 1.5)
        assert np.abs(firings.rpm[inner] / true - 1).max() < 0.05

    @pytest.mark.parametrize("c", [1, 3, 4, 2])
    def test_one_spark_heard_from_another_coil(self, crank, c):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=84.0)
        other = [f for f in truth if f.cylinder == c][9]
        trains = own_trains([f for f in truth if f is not other], engine)
        heard = np.sort(np.append(spark_times(truth, {engine.firing_order[0]}), other.time_s))
        if c != engine.firing_order[0]:
            trains[0] = make_train(heard, cylinders=(engine.firing_order[0],))
        track, firings = run(engine, trains)
        assert np.unique(track.stretch).size == 1
        assert_speed(firings)

    def test_the_channel_that_shows_most_counts(self, crank):
        engine = make_engine(ignition="distributor")
        truth = list_firings(crank, engine, tdc_deg=84.0)
        trains = [
            make_train([0.52, 0.56, 3.1, 3.13, 7.7], cylinders=engine.firing_order),
            make_train(spark_times(truth), role="coil_trigger"),
            make_train(spark_times(truth, {1}), cylinders=(1,), role="coil_secondary"),
        ]
        _, firings = run(engine, trains)
        assert_speed(firings)

    def test_a_start_is_counted_anew_where_a_lead_contradicts(self):
        starts = Crank(lambda t: 200 + 600 * np.clip((t - 0.6) / 0.8, 0, 1), duration_s=9.0)
        engine = make_engine((1, 2, 3), ignition="distributor")
        truth = list_firings(starts, engine, tdc_deg=84.0)
        trains = [
            make_train(spark_times(truth, {1}), cylinders=(1,), role="coil_secondary"),
            make_train(spark_times(truth), role="coil_trigger"),
        ]
        _, firings = run(engine, trains)
        late = firings.spark_s > 2.5
        assert firings.rpm[late].max() < 1.05 * 800
        assert firings.rpm.max() < 1.2 * 800


def strike(stops, n):
    """Strike `n` times a firing, 1.4 ms apart."""
    return (stops[:, None] + 1.4e-3 * np.arange(n)).ravel()


def assert_speed(firings):
    """Nowhere outside of what the crank of these tests turns."""
    assert firings.rpm.min() > 0.95 * 700
    assert firings.rpm.max() < 1.05 * 2200


class TestStandstill:
    def test_a_pause_begins_a_new_stretch(self, crank):
        engine = make_engine()
        truth = [f for f in list_firings(crank, engine, tdc_deg=84.0) if not 4.0 < f.time_s < 7.0]
        track, firings = run(engine, own_trains(truth, engine))
        assert np.unique(track.stretch).size == 2
        at = np.abs(firings.spark_s[None, :] - spark_times(truth)[:, None]).argmin(axis=1)
        right = firings.cylinder[at] == [f.cylinder for f in truth]
        # the last spark of a stretch has no TDC on it: no row of its own
        last = [truth[i].time_s for i in np.flatnonzero(~right)]
        near_pause = [t for t in last if 3.9 < t <= 4.0]
        assert [t for t in last if 0.3 < t < 11.7] == near_pause
        assert len(near_pause) <= 1
        assert not np.any((firings.spark_s > 4.3) & (firings.spark_s < 6.7))


class TestRefusal:
    def test_no_sparks(self):
        with pytest.raises(CycleError, match="no coil channel with at least three sparks"):
            track_from_sparks([], engine=make_engine())

    @pytest.mark.parametrize("n", [0, 1, 2])
    def test_too_few(self, n):
        train = make_train(np.arange(n) * 0.15, cylinders=(1,))
        with pytest.raises(CycleError, match="at least three sparks"):
            track_from_sparks([train], engine=make_engine())

    @pytest.mark.parametrize("seed", range(3))
    def test_disturbances(self, seed):
        # as many as a slow engine would have, but at random
        stops = np.sort(np.random.default_rng(seed).uniform(0.0, 60.0, 360))
        with pytest.raises(CycleError, match="do not repeat with the engine cycle"):
            track_from_sparks([make_train(stops, cylinders=(1,))], engine=make_engine())
