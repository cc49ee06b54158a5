"""Teeth of a wheel without a gap, counted between sparks on cranks made with the answer known."""

import numpy as np
import pytest

from misfire.cycles.plainwheel import find_plain_wheel
from misfire.cycles.wheel import decode_wheel
from tests.builders.coils import make_train
from tests.builders.engines import list_firings, make_engine, spark_times
from tests.builders.wheels import Crank

SIX = (1, 5, 3, 6, 2, 4)


@pytest.fixture(scope="module")
def crank():
    """Between 1200 and 2000 rev/min, with a swing of 2 % twice a turn."""
    return Crank(
        lambda t: 1600 + 400 * np.sin(t / 2), duration_s=12.0, start_deg=130.0, ripple=0.02
    )


def count(crank, trains, engine, *, name="135-plain", keep=None):
    tooth_s = crank.teeth(name)[0]
    wheel = find_plain_wheel(tooth_s if keep is None else keep(tooth_s), trains, engine=engine)
    return wheel and (wheel.positions, wheel.gaps)


class TestCount:
    """Advance wandering between 10 and 30 degrees: the counts from spark to spark differ by it."""

    @pytest.mark.parametrize(("name", "positions"), [("135-plain", 135), ("24-plain", 24)])
    def test_coil_of_one_cylinder(self, crank, name, positions):
        engine = make_engine(SIX)
        truth = list_firings(crank, engine, tdc_deg=84.0)
        trains = [make_train(spark_times(truth, {c}), cylinders=(c,)) for c in (3, 4)]
        assert count(crank, trains, engine, name=name) == (positions, ())

    def test_waste_spark_coil_fires_every_turn(self, crank):
        engine = make_engine(ignition="wasted_spark")
        truth = list_firings(crank, engine, tdc_deg=84.0)
        stops = spark_times(truth, {1, 4})
        assert count(crank, [make_train(stops, cylinders=(1, 4))], engine) == (135, ())

    def test_distributor(self, crank):
        engine = make_engine(SIX, ignition="distributor")
        truth = list_firings(crank, engine, tdc_deg=84.0)
        assert count(crank, [make_train(spark_times(truth))], engine) == (135, ())

    def test_several_strikes_and_missed_ones(self, crank):
        engine = make_engine(SIX)
        truth = list_firings(crank, engine, tdc_deg=84.0)
        stops = spark_times(truth, {1})
        rng = np.random.default_rng(4)
        stops = stops[rng.random(stops.size) > 0.2]
        stops = np.sort(np.concatenate((stops, stops + 1.4e-3)))
        assert count(crank, [make_train(stops, cylinders=(1,))], engine) == (135, ())

    def test_one_pulse_in_fifty_is_lost(self, crank):
        # A share of the teeth is missing from the count: no whole number, so none is believed.
        engine = make_engine(SIX)
        truth = list_firings(crank, engine, tdc_deg=84.0)
        trains = [make_train(spark_times(truth, {1}), cylinders=(1,))]
        rng = np.random.default_rng(5)
        found = count(crank, trains, engine, keep=lambda t: t[rng.random(t.size) > 0.02])
        assert found is None or found[0] != 135

    def test_the_angle_follows(self, crank):
        tooth_s, angle_deg = crank.teeth("135-plain")
        engine = make_engine(SIX)
        truth = list_firings(crank, engine, tdc_deg=84.0)
        trains = [make_train(spark_times(truth, {1}), cylinders=(1,))]
        track = decode_wheel(tooth_s, wheel=find_plain_wheel(tooth_s, trains, engine=engine))
        turned = track.angle_deg[-1] - track.angle_deg[0]
        assert turned == pytest.approx(angle_deg[-1] - angle_deg[0], abs=1e-6)


class TestNotTold:
    def test_no_coil(self, crank):
        assert count(crank, [], make_engine(SIX)) is None

    def test_a_clamp_that_may_see_one_coil_or_all(self, crank):
        engine = make_engine(SIX)
        truth = list_firings(crank, engine, tdc_deg=84.0)
        train = make_train(spark_times(truth), role="coil_current")
        assert count(crank, [train], engine) is None

    def test_channels_that_contradict_one_another(self, crank):
        engine = make_engine(SIX)
        truth = list_firings(crank, engine, tdc_deg=84.0)
        trains = [
            make_train(spark_times(truth, {1}), cylinders=(1,)),
            make_train(spark_times(truth, {2, 5}), cylinders=(2,)),
        ]
        assert count(crank, trains, engine) is None

    @pytest.mark.parametrize("gone", [(7,), (7, 40, 41)])
    def test_a_wheel_with_a_tooth_missing_is_not_plain(self, crank, gone):
        # 134 or 132 are counted in each turn: a whole number all the same
        engine = make_engine(SIX)
        truth = list_firings(crank, engine, tdc_deg=84.0)
        trains = [make_train(spark_times(truth, {1}), cylinders=(1,))]

        def spoil(tooth_s):
            return tooth_s[~np.isin(np.arange(tooth_s.size) % 135, gone)]

        assert count(crank, trains, engine, keep=spoil) is None

    @pytest.mark.parametrize("n_teeth", [0, 1, 2, 50])
    def test_a_crank_channel_that_shows_next_to_nothing(self, crank, n_teeth):
        engine = make_engine(SIX)
        truth = list_firings(crank, engine, tdc_deg=84.0)
        trains = [make_train(spark_times(truth, {1}), cylinders=(1,))]
        assert count(crank, trains, engine, keep=lambda t: t[:n_teeth]) is None

    def test_too_short(self, crank):
        engine = make_engine(SIX)
        truth = list_firings(crank, engine, tdc_deg=84.0)
        stops = spark_times(truth, {1})[:8]
        assert count(crank, [make_train(stops, cylinders=(1,))], engine) is None
