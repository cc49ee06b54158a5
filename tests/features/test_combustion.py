"""What a firing lacks, in units of a combustion, against engines whose work is known."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from misfire.cycles.assign import find_firings
from misfire.cycles.phase import Phase
from misfire.features.combustion import USUAL_WORK, WORK_SPREAD, _expect_pulses
from misfire.features.lack import find_twist
from misfire.features.torque import compute_torque, make_no_torque, measure_gains
from misfire.records import CrankWheel
from tests.builders.engines import TorqueEngine, make_engine

ORDERS = {
    1: (1,),
    3: (1, 2, 3),
    4: (1, 3, 4, 2),
    5: (1, 2, 4, 5, 3),
    6: (1, 5, 3, 6, 2, 4),
    8: (1, 8, 4, 3, 6, 5, 7, 2),
    12: (1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10),
}


def measure(n, *, change=None, **more):
    """Torque of an engine; `lost` rows, and the share of its usual work that each firing gave."""
    engine = make_engine(ORDERS[n])
    # compression in proportion to the work, as filling sets both; of a four, as the drive of more
    # cylinders is heavier (crank by cylinder, a flywheel like 2.5 of them: as the simulator's)
    work = more.pop("work", 600.0) * 6.5 / (n + 2.5)
    made = TorqueEngine(engine, work=work, compression=0.35 * work, **more)
    track = made.track()
    if change is not None:
        track = change(track)
    phase = Phase(made.tdc_deg, {int(k): 0.0 for k in np.unique(track.stretch[:])}, True, True, "")
    firings = find_firings(track, [], engine=engine, phase=phase)
    table = compute_torque(measure_gains(track, firings, engine=engine), firings, engine=engine)
    angle = dict(zip(engine.firing_order, engine.firing_angles_deg, strict=True))
    own = np.array([angle[int(c)] for c in firings.cylinder])
    cycle = np.round((firings.tdc_angle_deg - own - made.tdc_deg) / 720.0).astype(int)
    pairs = zip(cycle.tolist(), firings.cylinder.tolist(), strict=True)
    lost = np.array([p in set(made.lost) for p in pairs])
    return table, firings, lost


def singles(n, cylinder=1):
    return tuple((cycle, cylinder) for cycle in range(12, 110, 9))


class TestLostMeansLost:
    @pytest.mark.parametrize("n", ORDERS)
    @pytest.mark.parametrize(("work", "rpm"), [(500.0, 750.0), (1200.0, 1500.0)])
    def test_unit(self, n, work, rpm):
        # the engine is told neither its work nor its inertia
        table, _, lost = measure(n, lost=singles(n), work=work, rpm=rpm)
        known = np.isfinite(table.lack)
        lack = np.median(table.lack[lost & known])
        assert abs(np.log(lack)) < 2.0 * np.median(table.unit_sigma[known])
        if n <= 6:  # of more hardly any swing is left: what is usual of engines has most of the say
            assert 0.65 < lack < 1.5
        assert table.lack[lost & known].min() > table.lack[~lost & known].max()

    @pytest.mark.parametrize("n", [3, 4, 6, 8])
    def test_a_dead_cylinder(self, n):
        table, firings, _ = measure(n, weak={2: 0.0}, rpm=900.0)
        mine = np.nanmedian(table.lack[firings.cylinder == 2])
        assert 0.6 < mine < 1.5
        for c in ORDERS[n]:
            if c != 2:
                assert abs(np.nanmedian(table.lack[firings.cylinder == c])) < 0.2

    # the builder's engine has no pistons, which a four's crank would feel at this speed
    @pytest.mark.parametrize("n", [3, 6])
    @pytest.mark.parametrize("seed", range(5))
    def test_a_cycle_of_four_fifths_is_no_loss(self, n, seed):
        # full load: one cycle of 0.8 of the usual work once accused a healthy engine
        table, _, _ = measure(n, work=2000.0, rpm=2000.0, cov=0.06, seed=seed)
        known = np.isfinite(table.lack)
        assert np.max(table.lack[known][3 * n : -3 * n]) < 0.55
        # beside the ends it is known worse, and said so
        assert np.max((table.lack - 3.0 * table.lack_sigma)[known]) < 0.3
        z = table.lack[known] / table.lack_sigma[known]
        assert np.mean(np.abs(z) > 4.0) < 0.01


class TestTwist:
    """The sensor at the front end of a long crankshaft, twisted by 0.2 degrees."""

    @pytest.mark.parametrize("n", [6, 8, 12])
    @pytest.mark.parametrize("rpm", [800.0, 2200.0])
    @pytest.mark.parametrize("seed", range(4))
    def test_a_sound_engine_lacks_nothing_and_losses_are_seen(self, n, rpm, seed):
        work = 600.0 if rpm < 1000 else 1200.0  # of so much twist all engines are at full load
        twist = {"rpm": rpm, "work": work * (n + 2.5) / 6.5, "twist_deg": 0.2}
        sound, firings, _ = measure(n, seed=seed, n_cycles=60, **twist)
        energy = sound.lack * sound.unit
        usual = [np.nanmedian(energy[firings.cylinder == c]) for c in ORDERS[n]]
        assert np.max(np.abs(usual)) < 0.25 * work
        lost = tuple((c, ORDERS[n][(c + seed) % n]) for c in range(8, 54, 3))
        table, _, rows = measure(n, seed=seed, n_cycles=60, lost=lost, **twist)
        known = np.isfinite(table.lack)
        inner = (
            known & (np.arange(known.size) > 3 * n) & (np.arange(known.size) < known.size - 3 * n)
        )
        assert np.min(table.lack[rows & known]) > 0.6
        assert np.max(table.lack[~rows & inner]) < np.min(table.lack[rows & known])


class TestStandingTwist:
    """What cylinders of a long crank seem to lack always: made of known twists and losses."""

    @pytest.mark.parametrize("n", [6, 8, 12])
    def test_what_grows_with_the_order_is_twist_and_what_marks_all_orders_alike_is_not(self, n):
        at = np.arange(20 * n)
        twist = sum(m**2 * np.cos(2 * np.pi * m * at / n + m) for m in range(1, n // 2))
        spread, work = np.full(at.size, 40.0), np.full(at.size, 120.0)
        left = (twist - find_twist(twist, spread, work, n))[2 * n : -2 * n]
        assert np.max(np.abs(left)) < 0.1 * 120.0
        lack = twist + np.where(at % n == 2, 120.0, 0.0)
        left = (lack - find_twist(lack, spread, work, n))[2 * n : -2 * n]
        dead = at[2 * n : -2 * n] % n == 2
        assert np.min(left[dead]) > 0.7 * 120.0
        assert np.max(np.abs(left[~dead])) < 0.2 * 120.0

    def test_uneven_charges_are_no_cylinder_that_fails(self):
        # one bank gives a twentieth less: once a cycle, where a twist is least and a loss shows
        lack = np.tile([-15.0, -20.0, -10.0, 0.0, 15.0, 20.0, 10.0, 0.0], 20)
        spread, work = np.full(160, 30.0), np.full(160, 300.0)
        left = lack - find_twist(lack, spread, work, 8)
        assert np.max(np.abs(left)) < 0.1 * 300.0

    def test_two_dead_cylinders_at_a_slow_speed_are_no_twist(self):
        dead = np.tile([0.0, 0.0, 400.0, 0.0, 0.0, 400.0, 0.0, 0.0], 20)
        found = find_twist(dead, np.full(160, 20.0), np.full(160, 400.0), 8)
        assert np.max(np.abs(found)) < 1.0

    @pytest.mark.parametrize("rpm", [900.0, 2200.0])
    def test_a_dead_cylinder_of_an_eight_is_none(self, rpm):
        table, firings, _ = measure(8, weak={2: 0.0}, rpm=rpm, n_cycles=60)
        assert np.nanmedian(table.lack[firings.cylinder == 2]) > 0.6


class TestScatter:
    @pytest.mark.parametrize("cov", [0.04, 0.08, 0.15])
    def test_sigma_is_the_scatter_of_the_work(self, cov):
        table, _, _ = measure(4, cov=cov, rpm=900.0, n_cycles=150)
        known = np.isfinite(table.lack)
        unit = 2.0 * np.median(table.unit_sigma[known])
        ratio = np.median(table.lack_sigma[known]) / cov
        assert abs(np.log(ratio)) < unit
        z = table.lack[known] / table.lack_sigma[known]
        assert 0.7 < np.std(z) < 1.5

    def test_it_grows_with_the_work(self):
        # the same engine at half and at full load: the same share, so twice the energy
        tables = [measure(6, work=w, rpm=1000.0, cov=0.08)[0] for w in (500.0, 1000.0)]
        noise = [np.nanmedian(table.noise) for table in tables]
        sigma = [np.nanmedian(table.lack_sigma) for table in tables]
        assert noise[1] > 1.7 * noise[0]
        assert sigma[1] == pytest.approx(sigma[0], rel=0.3)

    @pytest.mark.parametrize("n", [3, 6])
    def test_a_firing_with_neighbours_on_one_side_is_known_worse(self, n):
        first, middle = [], []
        for seed in range(40):
            table, _, _ = measure(n, n_cycles=20, cov=0.08, seed=seed, rpm=1500.0)
            z = table.lack / table.lack_sigma
            known = np.flatnonzero(np.isfinite(z))
            first += [z[known[0]], z[known[-1]]]
            middle += z[known[20:-20]].tolist()
            assert table.lack_sigma[known[0]] > 1.3 * table.lack_sigma[known[12]]
        assert np.std(first) < 1.4 * np.std(middle)

    def test_few_firings_do_not_show_it(self):
        few, _, _ = measure(4, n_cycles=8, cov=0.01)
        assert np.nanmin(few.lack_sigma) >= 0.03


class TestDoubt:
    def test_beside_repaired_pulses_and_breaks(self):
        at_s = []

        def spoil(track):
            at_s.append(float(track.time_s[3000]))
            return replace(track, repaired_s=np.array([track.time_s[3000]]))

        table, firings, _ = measure(4, change=spoil)
        near = np.abs(firings.tdc_s - at_s[0]) < 0.5 * 30.0 / 800.0
        assert table.crank_doubtful[near].all()
        assert 2 <= table.crank_doubtful.sum() <= 5
        assert table.crank_doubtful[table.disturbed].all()

    def test_where_sync_was_lost(self):
        def lose(track):
            stretch = np.zeros(track.time_s.size, np.int32)
            stretch[3000:] = 1
            return replace(track, stretch=stretch)

        table, firings, _ = measure(4, change=lose)
        assert 1 <= table.crank_doubtful.sum() <= 6

    def test_a_broken_tooth_is_as_good_as_a_gap(self):
        def break_one(track):
            place = np.round(track.angle_deg[:] / 6.0).astype(int) % 60
            return replace(track, repaired_s=track.time_s[:][place == 20])

        table, _, _ = measure(4, change=break_one)
        assert not table.crank_doubtful.any()

    def test_without_crank(self):
        table = make_no_torque(5)
        assert np.isnan(table.lack).all()
        assert np.isnan(table.lack_sigma).all()
        assert not table.crank_doubtful.any()


def test_expected_pulse_by_hand():
    # an impulse of torque once per interval, at TDC, against an even load: a saw tooth of height 1,
    # whose first harmonic is 1/pi; a combustion of finite length stays below it, with compression
    # of the same sign below 1/pi + 0.35
    for n in (1, 3, 4, 6, 8):
        pulse = _expect_pulses(make_engine(ORDERS[n]))[1]
        assert 0.02 < abs(pulse) < 1.0 / np.pi + 0.35
        assert pulse.real < 0  # slowest about TDC


FOUR_TEETH = tuple(tuple(range(a + 1, b)) for a, b in ((1, 8), (8, 19), (19, 26), (26, 37)))


class TestStarts:
    """What is seen of a run-up must not hide what comes behind it."""

    def test_a_dead_cylinder_behind_a_rough_run_up(self):
        # 34 of 46 cycles scatter by 0.8 of the work, as in a start; then by 5 %
        rng = np.random.default_rng(7)
        rough = rng.normal(1.0, 0.8, 4 * 34)

        def scale(cycle):
            at = round(4 * cycle)
            return float(rough[at]) if 0 <= at < rough.size else 1.0

        table, firings, _ = measure(
            4, n_cycles=46, cov=0.05, seed=3, rpm=900.0, scale=scale, weak={2: 0.0}
        )
        z = table.deficit_z
        late = (firings.cycle - firings.cycle.min() > 36) & np.isfinite(z)
        own = firings.cylinder == 2
        assert np.min(z[own & late]) > 6.0
        assert np.max(z[late & ~own]) < 3.0

    def test_four_teeth_show_no_pulse(self):
        # fewer teeth in a firing interval than the first harmonic needs (sampling theorem)
        def thin(track):
            return replace(track, wheel=CrankWheel(36, FOUR_TEETH))

        table, _, _ = measure(4, rpm=900.0, change=thin)
        known = np.isfinite(table.lack)
        assert_allclose(table.unit[known], USUAL_WORK)
        assert_allclose(table.unit_sigma[known], WORK_SPREAD)
