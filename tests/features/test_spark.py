"""Spark measures of each firing in ratio to the recording itself."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from misfire.cycles.assign import find_firings
from misfire.cycles.phase import Phase
from misfire.features.spark import gather_strokes, iterate_spark
from misfire.records import STROKE_FLAGS, StrokeTrain
from tests.builders.coils import make_train
from tests.builders.engines import list_firings, make_engine, make_track, spark_times
from tests.builders.wheels import Crank

TDC_DEG = 84.0
ENGINE = make_engine()


@pytest.fixture(scope="module")
def crank():
    return Crank(lambda t: 900 + 0 * t, duration_s=10.0)


@pytest.fixture(scope="module")
def truth(crank):
    return list_firings(crank, ENGINE, tdc_deg=TDC_DEG, advance_deg=(10.0, 14.0))


def assign(crank, trains):
    track = make_track(*crank.teeth("60-2"), tdc_deg=TDC_DEG)
    phase = Phase(TDC_DEG, {0: 0.0}, True, True, "given")
    return find_firings(track, trains, engine=ENGINE, phase=phase)


def primaries(truth, *, scatter=0.03, **changed):
    """One primary per cylinder; `changed` gives burn times by cylinder, as `c3=0.6`."""
    rng = np.random.default_rng(4)
    trains = []
    for c in ENGINE.firing_order:
        stops = spark_times(truth, {c})
        usual = changed.get(f"c{c}", 1.5)
        burn = usual * (1 + scatter * rng.normal(size=stops.size))
        trains.append(
            make_train(stops, cylinders=(c,), burn_time_ms=burn, peak_current_a=7.5, firing_v=150.0)
        )
    return trains


def spark(crank, trains):
    firings = assign(crank, trains)
    return firings, dict(iterate_spark(gather_strokes(firings, trains), firings))


class TestGatherStrokes:
    def test_each_firing_gets_its_stroke(self, crank, truth):
        trains = primaries(truth)
        firings = assign(crank, trains)
        columns = gather_strokes(firings, trains)
        by_stop = {
            float(s): float(b)
            for t in trains
            for s, b in zip(t.strokes["stop_s"], t.strokes["burn_time_ms"], strict=True)
        }
        expected = [by_stop.get(float(s), np.nan) for s in firings.spark_s]
        assert np.isfinite(expected).mean() > 0.98
        assert_allclose(columns["burn_time_ms"], expected)

    def test_two_channels_fill_each_other(self, crank, truth):
        stops = spark_times(truth)
        feed = make_train(stops, role="coil_current", peak_current_a=7.1)
        primary = make_train(spark_times(truth, {1}), cylinders=(1,), burn_time_ms=1.4)
        firings = assign(crank, [primary, feed])
        columns = gather_strokes(firings, [primary, feed])
        own = (firings.cylinder == 1) & firings.seen
        assert_allclose(columns["burn_time_ms"][own], 1.4)
        assert np.isnan(columns["burn_time_ms"][~own]).all()
        assert_allclose(columns["peak_current_a"][firings.seen], 7.1)

    def test_a_stroke_that_never_came_has_dwell_0(self, crank, truth):
        # CONTRACT section 4
        gone = [f for f in truth[20:-20] if f.cylinder == 2][::5]
        trains = primaries([f for f in truth if f not in gone])
        firings = assign(crank, trains)
        columns = gather_strokes(firings, trains)
        missing = np.isin(firings.tdc_angle_deg.round(2), [round(f.tdc_deg, 2) for f in gone])
        assert missing.sum() == len(gone)
        assert_array_equal(columns["dwell_ms"][missing], 0.0)
        flags = columns["flags"].astype(int)
        assert np.all(flags[missing] & STROKE_FLAGS["no_dwell"])
        inside = (firings.spark_s > 0.3) & (firings.spark_s < 9.7)
        assert not np.any(flags[~missing & inside] & STROKE_FLAGS["no_dwell"])

    def test_nobody_watched_is_not_missing(self, crank, truth):
        trains = [make_train(spark_times(truth, {1}), cylinders=(1,), burn_time_ms=1.5)]
        firings = assign(crank, trains)
        columns = gather_strokes(firings, trains)
        others = firings.cylinder != 1
        assert np.isnan(columns["dwell_ms"][others]).all()
        assert_array_equal(columns["watched"][others], 0.0)

    def test_before_the_channel_began(self, crank, truth):
        # this instrument was started late: what it did not record is not missing
        late = make_train(
            spark_times([f for f in truth if f.time_s > 5.0], {1}), cylinders=(1,), burn_time_ms=1.5
        )
        channel = replace(late.channel, start_s=4.9, n_samples=int(5.1 * late.channel.rate_hz))
        late = StrokeTrain(channel, late.strokes)
        others = [t for t in primaries(truth) if t.channel.cylinders != (1,)]
        firings = assign(crank, [late, *others])
        columns = gather_strokes(firings, [late, *others])
        own = firings.cylinder == 1
        early = own & (firings.spark_s < 4.85)
        assert early.sum() > 20
        assert np.isnan(columns["dwell_ms"][early]).all()

    def test_pickup_volts_are_no_primary_volts(self, crank, truth):
        primary = make_train(spark_times(truth, {1}), cylinders=(1,), firing_v=150.0)
        pickup = make_train(
            spark_times(truth), role="coil_secondary", firing_v=-4.0, burn_level_v=-0.5
        )
        firings = assign(crank, [primary])
        firings.stroke_index[pickup.channel.name] = np.clip(
            np.searchsorted(pickup.strokes["stop_s"], firings.spark_s - 1e-4),
            0,
            pickup.strokes.size - 1,
        )
        columns = gather_strokes(firings, [primary, pickup])
        finite = columns["firing_v"][np.isfinite(columns["firing_v"])]
        assert_array_equal(np.unique(finite), [150.0])


class TestComputeSpark:
    @pytest.mark.parametrize("share", [0.4, 0.6, 1.5])
    def test_log_ratio_to_the_others(self, crank, truth, share):
        firings, features = spark(crank, primaries(truth, c3=1.5 * share))
        others = features["burn_time_ms_others"]
        for c in (1, 2, 3, 4):
            usual = np.nanmedian(others[firings.cylinder == c])
            assert usual == pytest.approx(np.log(share) if c == 3 else 0.0, abs=0.03)
        # against itself this cylinder has not changed
        own = features["burn_time_ms_own"][firings.cylinder == 3]
        assert np.nanmedian(own) == pytest.approx(0.0, abs=0.02)

    def test_log_ratio_to_itself(self, crank, truth):
        trains = primaries(truth)
        train = next(t for t in trains if t.channel.cylinders == (4,))
        train.strokes["burn_time_ms"][10:60:8] = 0.5
        firings, features = spark(crank, trains)
        low = np.isin(firings.spark_s, train.strokes["stop_s"][10:60:8])
        assert low.sum() == 7
        assert_allclose(features["burn_time_ms_own"][low], np.log(0.5 / 1.5), atol=0.1)
        assert_allclose(features["burn_time_ms_others"][low], np.log(0.5 / 1.5), atol=0.1)

    def test_gain_does_not_matter(self, crank, truth):
        # ratios: a wrong attenuation of all channels changes nothing
        trains = primaries(truth, c2=0.9)
        _, plain = spark(crank, trains)
        for t in trains:
            for name in ("firing_v", "peak_current_a", "burn_time_ms"):
                t.strokes[name] *= 3.0
        _, scaled = spark(crank, trains)
        for name in ("firing_v", "peak_current_a", "burn_time_ms"):
            for kind in ("own", "others"):
                assert_allclose(scaled[f"{name}_{kind}"], plain[f"{name}_{kind}"], atol=1e-9)

    def test_no_breakdown_and_no_dwell(self, crank, truth):
        gone = [f for f in truth[20:-20] if f.cylinder == 1][::6]
        trains = primaries([f for f in truth if f not in gone])
        train = next(t for t in trains if t.channel.cylinders == (2,))
        train.strokes["burn_time_ms"][12:60:6] = 0.0
        firings, features = spark(crank, trains)
        dark = np.isin(firings.spark_s, train.strokes["stop_s"][12:60:6])
        assert np.all(features["no_breakdown"][dark] == 1)
        assert np.nansum(features["no_breakdown"]) == dark.sum()
        inside = (firings.spark_s > 0.3) & (firings.spark_s < 9.7)
        assert np.nansum(features["no_dwell"][inside]) == len(gone)

    def test_what_was_not_recorded_is_open(self, crank, truth):
        feed = [make_train(spark_times(truth), role="coil_current", peak_current_a=7.0)]
        _, features = spark(crank, feed)
        for name in ("no_breakdown", "burn_time_ms_own", "firing_v_others"):
            assert np.isnan(features[name]).all()

    def test_one_watched_cylinder_has_no_others(self, crank, truth):
        train = make_train(spark_times(truth, {1}), cylinders=(1,), burn_time_ms=1.5)
        _, features = spark(crank, [train])
        assert np.isnan(features["burn_time_ms_others"]).all()
        assert np.isfinite(features["burn_time_ms_own"]).sum() > 60


def test_supply_told_in_steps_moves_no_ratio_by_a_step(crank, truth):
    # 8 bits over 800 V tell 14 V as 12.5 or 15.6 V, apart by 22 %: a mean of n such readings errs
    # by 1 / sqrt(n) of that (the usual law of errors), here of 17.
    trains = primaries(truth)
    rng = np.random.default_rng(7)
    for train in trains:
        train.strokes["battery_v"] = np.where(rng.random(train.strokes.size) < 0.5, 12.5, 15.625)
        train.strokes["primary_peak_v"] = 280.0
    firings, found = spark(crank, trains)
    kick = found["form_kick"][found["form_kick"].size // 10 :]
    assert np.isfinite(kick).all()
    assert kick.std() < 2.0 * 0.11 / np.sqrt(17)


def test_a_kick_cut_off_by_the_instrument_is_no_measure(crank, truth):
    trains = primaries(truth)
    for train in trains:
        train.strokes["battery_v"], train.strokes["primary_peak_v"] = 14.0, 280.0
        if train.channel.cylinders == (3,):  # this one in a range of 100 V
            train.strokes["primary_peak_v"] = 100.0
            train.strokes["flags"] |= STROKE_FLAGS["clipped"]
    firings, found = spark(crank, trains)
    assert_array_equal(np.isfinite(found["form_kick"]), firings.cylinder != 3)


def test_noise_on_a_coil_that_never_fires_is_no_firing(crank, truth):
    trains = primaries(truth)
    place = [t.channel.cylinders for t in trains].index((3,))
    noise = make_train([spark_times(truth)[40] + 0.004], cylinders=(3,), dwell_ms=0.5)
    trains[place] = replace(trains[place], strokes=noise.strokes)
    firings, found = spark(crank, trains)
    inner = slice(8, -8)
    assert_array_equal(found["no_dwell"][inner] == 1, firings.cylinder[inner] == 3)


def test_a_spark_that_the_next_charge_ends_is_marked(crank, truth):
    # Several strikes of one firing: the coil is charged again while it burns (common practice).
    # Cylinder 3 strikes once.
    trains = primaries(truth)
    for train in trains:
        strokes = train.strokes
        strokes["start_s"] = strokes["stop_s"] - 3e-3
        if train.channel.cylinders != (3,):
            strokes["start_s"][1:] = (strokes["stop_s"] + 1e-3 * strokes["burn_time_ms"])[:-1]
        strokes["ring_v"], strokes["battery_v"] = 40.0, 14.0
    firings, found = spark(crank, trains)
    rows = np.arange(firings.cylinder.size - 2 * len(trains))  # the last strike of each is whole
    whole = firings.cylinder[rows] == 3
    assert_array_equal(found["form_recharged"][rows] == 0, whole)
    assert_array_equal(np.isfinite(found["form_ring"][rows]), whole)
    assert (found["no_breakdown"][rows] == 0).all()
    empty = [replace(train, strokes=train.strokes[:0]) for train in trains]
    of_none = gather_strokes(replace(firings, stroke_index={}), empty)
    assert not of_none["recharged"].any()
