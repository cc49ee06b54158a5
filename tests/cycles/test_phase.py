"""The scored hypotheses for TDC and the compression revolution."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from misfire.cycles.phase import find_phase
from misfire.cycles.ripple import find_ripples
from misfire.cycles.weighing import cylinder_angles, wrap_deg
from misfire.records import Cam, CrankTrack, CrankWheel
from tests.builders.coils import make_train
from tests.builders.engines import (
    TorqueEngine,
    list_firings,
    make_engine,
    make_track,
    spark_times,
    time_of,
)
from tests.builders.wheels import Crank

TDC_DEG = 84.0
NOTHING = np.empty(0)


@pytest.fixture(scope="module")
def crank():
    return Crank(lambda t: 850 + 100 * t, duration_s=6.0, start_deg=20.0, ripple=0.02)


def decide(crank, engine, trains=(), *, tdc=TDC_DEG, cam_s=NOTHING, cam=None, pickups=()):
    track = make_track(*crank.teeth("60-2"), tdc_deg=tdc)
    return find_phase(track, list(trains), list(pickups), cam_s, engine=engine, cam=cam)


def cam_train(crank, first_deg, *, per_cycle=1):
    angle = first_deg + 720.0 / per_cycle * np.arange(-2 * per_cycle, 60 * per_cycle)
    angle = angle[(angle > crank.angle_deg[0]) & (angle < crank.angle_deg[-1])]
    return time_of(crank, angle)


class TestWrap:
    @pytest.mark.parametrize("period", [360.0, 720.0])
    def test_numpy_angle(self, period):
        angle = np.random.default_rng(1).uniform(-3000, 3000, 500)
        expected = np.angle(np.exp(2j * np.pi * angle / period)) * period / (2 * np.pi)
        assert_allclose(wrap_deg(angle, period), expected, atol=1e-9)


class TestCylinderAngles:
    def test_evenly(self):
        # ANCHORS D: one power stroke each 180 degrees, order 1-3-4-2
        assert cylinder_angles(make_engine()) == {1: 0.0, 3: 180.0, 4: 360.0, 2: 540.0}

    def test_as_the_card_says(self):
        engine = make_engine((1, 2), angles=(0.0, 270.0))
        assert cylinder_angles(engine) == {1: 0.0, 2: 270.0}


class TestAdvance:
    # sparks come about 50 degrees before to 20 after compression TDC (DESIGN section 3)
    @pytest.mark.parametrize(
        "advance_deg", [(-19.0, -16.0), (0.0, 4.0), (25.0, 30.0), (45.0, 50.0)]
    )
    @pytest.mark.parametrize("turn", [0.0, 360.0])
    def test_any_usual_advance(self, crank, advance_deg, turn):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG + turn, advance_deg=advance_deg)
        phase = decide(crank, engine, [make_train(spark_times(truth, {3}), cylinders=(3,))])
        assert phase.resolved
        assert phase.offset_deg[0] == turn
        assert phase.tdc_deg == TDC_DEG


class TestWitnessesTogether:
    def test_a_few_false_sparks_do_not_turn_it(self, crank):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG)
        false = np.random.default_rng(2).uniform(0.1, 5.9, 8)
        stops = np.sort(np.concatenate((spark_times(truth, {1}), false)))
        phase = decide(crank, engine, [make_train(stops, cylinders=(1,))])
        assert phase.resolved
        assert phase.offset_deg[0] == 0.0

    def test_contradiction_is_not_resolved(self, crank):
        # the primary says this revolution, the cam says the other
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG)
        primary = make_train(spark_times(truth, {1}), cylinders=(1,))
        cam_s = cam_train(crank, TDC_DEG + 360.0 + 312.0)
        phase = decide(crank, engine, [primary], cam_s=cam_s, cam=Cam(312.0))
        assert not phase.resolved

    def test_wrong_label_moves_the_cylinder_not_the_verdict(self, crank):
        # ANCHORS H21: a wrong cylinder-1 reference shifts everything; 360 degrees here
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG)
        phase = decide(crank, engine, [make_train(spark_times(truth, {4}), cylinders=(1,))])
        assert phase.resolved
        assert phase.offset_deg[0] == 360.0

    def test_sparks_of_a_wrong_cylinder_beyond_the_window(self, crank):
        # cylinder 3 fires 180 degrees after 1: never near TDC of what the label says
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG)
        phase = decide(crank, engine, [make_train(spark_times(truth, {3}), cylinders=(1,))])
        assert not phase.resolved


class TestCam:
    @pytest.mark.parametrize("turn", [0.0, 360.0])
    @pytest.mark.parametrize("edge_deg", [0.0, 40.0, 312.0, 700.0])
    def test_edge(self, crank, turn, edge_deg):
        cam_s = cam_train(crank, TDC_DEG + turn + edge_deg)
        phase = decide(crank, make_engine(), cam_s=cam_s, cam=Cam(edge_deg))
        assert phase.resolved
        assert phase.offset_deg[0] == turn

    def test_one_edge_a_turn_tells_nothing(self, crank):
        cam_s = cam_train(crank, TDC_DEG + 40.0, per_cycle=2)
        phase = decide(crank, make_engine(), cam_s=cam_s, cam=Cam(40.0))
        assert not phase.resolved

    def test_edge_of_the_card_is_wrong(self, crank):
        # edges nowhere near where the card says them
        cam_s = cam_train(crank, TDC_DEG + 150.0)
        phase = decide(crank, make_engine(), cam_s=cam_s, cam=Cam(312.0))
        assert not phase.resolved


class TestFindings:
    def test_says_what_to_connect(self, crank):
        phase = decide(crank, make_engine())
        assert phase.basis == "nothing"
        text = " ".join(f.message for f in phase.findings if f.code == "phase_unknown")
        assert "cam sensor" in text

    def test_tdc_without_any_name_is_a_warning(self, crank):
        engine = make_engine()
        truth = list_firings(crank, engine, tdc_deg=TDC_DEG, advance_deg=(10.0, 14.0))
        feed = make_train(spark_times(truth), role="coil_current")
        phase = decide(crank, engine, [feed], tdc=None)
        note = next(f for f in phase.findings if f.code == "tdc_worked_out")
        assert note.severity == "warning"
        assert not phase.tdc_known
        # the feed shows TDC within the firing interval all the same
        assert abs(float(wrap_deg(np.array([phase.tdc_deg - TDC_DEG]), 180.0)[0])) < 10.0


class TestEachStretchOnItsOwn:
    """Behind a loss of sync or between parts either revolution may follow."""

    @pytest.mark.parametrize("seed", range(20))
    def test_single_cylinder(self, seed):
        # the second half counted from the other revolution: its own combustions tell
        engine = make_engine((1,))
        rng = np.random.default_rng(seed)
        made = TorqueEngine(
            engine,
            rpm=float(rng.uniform(1200.0, 3000.0)),
            n_cycles=40,
            work=float(rng.uniform(1000.0, 3000.0)),
            compression=600.0,
            tdc_deg=float(rng.uniform(0.0, 360.0)),
            seed=seed,
        )
        time_s, angle = made.teeth()
        half = int(rng.integers(time_s.size // 3, 2 * time_s.size // 3))
        stretch = (np.arange(time_s.size) >= half).astype(np.int32)
        other = bool(rng.integers(0, 2))
        track = make_track(
            time_s, angle + 360.0 * (1 + other) * stretch, stretch=stretch, tdc_deg=made.tdc_deg
        )
        phase = find_phase(
            track, [], [], np.empty(0), engine=engine, cam=None,
            ripples=find_ripples(track, engine=engine),
        )  # fmt: skip
        assert phase.offset_deg[0] == 0.0
        # one turn on: an odd number of revolutions is made good by the offset
        assert phase.offset_deg[1] == (0.0 if other else 360.0)

    def test_where_nothing_tells_it_is_left_open_and_said(self):
        engine = make_engine((1,))
        made = TorqueEngine(engine, rpm=2000.0, n_cycles=40, work=2000.0, compression=600.0)
        time_s, angle = made.teeth()
        stretch = np.zeros(time_s.size, np.int32)
        stretch[-150:] = 1  # less than two cycles
        track = make_track(time_s, angle, stretch=stretch, tdc_deg=made.tdc_deg)
        phase = find_phase(
            track, [], [], np.empty(0), engine=engine, cam=None,
            ripples=find_ripples(track, engine=engine),
        )  # fmt: skip
        assert np.isnan(phase.offset_deg[1])
        assert [f.code for f in phase.findings] == ["phase_open"]


class TestPlainWheelWithCam:
    """No tooth of a plain wheel names TDC: the card's edge_deg of the cam does."""

    @staticmethod
    def place(seed, order, lobes, *, sparks=False):
        """Find TDC on a plain wheel counted from anywhere; gives what is found and the truth."""
        engine = make_engine(order)
        rng = np.random.default_rng(seed)
        made = TorqueEngine(
            engine,
            rpm=float(rng.uniform(700.0, 3000.0)),
            n_cycles=40,
            tdc_deg=float(rng.uniform(0.0, 720.0)),
            seed=seed,
        )
        angle = np.arange(6.0, made.angle_deg[-1], 6.0)
        time_s = np.interp(angle, made.angle_deg, made.time_s)
        stretch = np.zeros(angle.size, np.int32)
        wheel = CrankWheel(60, ())
        track = CrankTrack(time_s, angle, stretch, wheel, revolution_known=False)
        edges = np.sort(rng.choice(np.arange(5.0, 715.0, 30.0), lobes, replace=False))
        cycles = 720.0 * np.arange(-1, 42)[:, None]
        rises = (made.tdc_deg + cycles + edges).ravel()
        rises = rises[(rises > angle[0]) & (rises < angle[-1])] + 0.0
        cam_s = np.interp(rises + rng.normal(0.0, 1.0, rises.size), made.angle_deg, made.time_s)
        trains = []
        if sparks:
            at = made.tdc_deg + 720.0 * np.arange(1, 38) - rng.uniform(5.0, 40.0)
            trains = [make_train(np.interp(at, made.angle_deg, made.time_s), cylinders=order[:1])]
        phase = find_phase(
            track, trains, [], cam_s, engine=engine, cam=Cam(float(edges[0])),
            ripples=find_ripples(track, engine=engine),
        )  # fmt: skip
        found = phase.tdc_deg + phase.offset_deg[0]
        return phase, float(wrap_deg(np.array([found - made.tdc_deg]), 720.0)[0])

    @pytest.mark.parametrize("seed", range(24))
    def test_one_lobe(self, seed):
        order = ((1, 3, 4, 2), (1, 5, 3, 6, 2, 4), (1, 2, 3), (1, 8, 4, 3, 6, 5, 7, 2))[seed % 4]
        phase, away_deg = self.place(seed, order, 1)
        assert phase.resolved
        assert abs(away_deg) < 15.0

    @pytest.mark.parametrize("seed", range(12))
    def test_with_sparks_of_a_known_cylinder(self, seed):
        phase, away_deg = self.place(seed, (1, 3, 4, 2), 1, sparks=True)
        assert phase.resolved
        assert abs(away_deg) < 15.0

    @pytest.mark.parametrize("seed", range(12))
    def test_lobes_that_may_be_mistaken_are_right_or_open(self, seed):
        phase, away_deg = self.place(seed, (1, 3, 4, 2), 3)
        assert abs(away_deg) < 15.0 or not phase.resolved
