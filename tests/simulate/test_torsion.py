"""The twist of a long crank against closed forms and scipy's state-space solver."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.signal import StateSpace, lsim

from misfire.simulate.draw import draw_scenario
from misfire.simulate.engine.run import EngineRun
from misfire.simulate.engine.torsion import FLYWHEEL_SHARE, compute_twist, see_from_end
from misfire.simulate.engine.track import find_instants
from misfire.simulate.scenario import EngineModel

SIX = EngineModel(
    cylinders=6,
    firing_order=(1, 5, 3, 6, 2, 4),
    torsion_hz=300.0,
    torsion_damping=0.05,
    twist_deg_100nm=0.05,
)


class TestTwist:
    def test_rest_under_constant_torque(self):
        twist = compute_twist(np.full(500, 400.0), np.linspace(0.0, 0.2, 501), SIX)
        assert_allclose(np.degrees(twist), 0.2, rtol=1e-9)

    def test_free_decay(self):
        # logarithmic decrement 2 pi d / sqrt(1 - d^2), any handbook of vibration
        torque = np.concatenate(([400.0], np.zeros(4000)))
        time_s = 1e-5 * np.arange(4002)
        twist = compute_twist(torque, time_s, SIX)
        peaks = np.flatnonzero((twist[1:-1] > twist[:-2]) & (twist[1:-1] > twist[2:])) + 1
        damped_hz = 300.0 * np.sqrt(1.0 - 0.05**2)
        assert_allclose(np.diff(time_s[peaks]), 1.0 / damped_hz, atol=1.1e-5)
        decrement = 2.0 * np.pi * 0.05 / np.sqrt(1.0 - 0.05**2)
        assert_allclose(np.log(twist[peaks[:-1]] / twist[peaks[1:]]), decrement, rtol=0.01)

    def test_against_a_state_space_solver(self):
        rng = np.random.default_rng(4)
        torque = rng.normal(0.0, 300.0, 200)
        torque[0] = 0.0  # at rest to begin with
        time_s = 5e-4 * np.arange(201)
        omega = 2.0 * np.pi * 300.0
        rest = np.radians(0.05) / 100.0
        system = StateSpace(
            [[0.0, 1.0], [-(omega**2), -2.0 * 0.05 * omega]], [[0.0], [omega**2 * rest]],
            [[1.0, 0.0]], [[0.0]],
        )  # fmt: skip
        held = np.append(torque, torque[-1])
        _, expected, _ = lsim(system, held, time_s, interp=False)
        assert_allclose(compute_twist(torque, time_s, SIX), expected, atol=1e-12)


class TestEnds:
    def test_each_end_turns_as_its_angle_says(self):
        # even speed, the front end swinging by a known sine of the angle
        edges_deg = 4.0 * np.arange(2000)
        time_s, speed = edges_deg / 6000.0, np.full(2000, np.radians(6000.0))
        twist = np.radians(0.15) * np.sin(np.radians(6.0 * edges_deg))
        for end, share in (("front", 1.0), ("flywheel", -FLYWHEEL_SHARE)):
            seen_s, seen_speed = see_from_end(0.0, time_s, speed, twist, end=end)
            inner = slice(5, -5)
            stood = 6000.0 * seen_s[inner]
            swing = share * 0.15 * np.sin(np.radians(6.0 * stood))
            assert_allclose(stood + swing, edges_deg[inner], atol=1e-3)
            gain = share * np.radians(0.15) * 6.0 * np.cos(np.radians(6.0 * stood))
            assert_allclose(
                seen_speed[inner], np.radians(6000.0) * (1.0 + gain), rtol=2e-3 * abs(share)
            )

    def test_long_cranks_twist_by_what_is_usual(self):
        # 0.05 to 0.2 degrees at the front end under load (common practice); less at idle
        found = []
        for seed in range(400):
            scenario = draw_scenario(np.random.default_rng(seed))
            if scenario.engine.cylinders < 6:
                assert scenario.engine.torsion_hz == 0.0
                continue
            scenario = replace(scenario, duration_s=3.0)
            run = EngineRun(scenario, np.random.default_rng(seed)).run()
            swing = np.degrees(run.twist_rad - np.median(run.twist_rad))
            found.append(float(np.percentile(np.abs(swing), 99)))
            if len(found) == 20:
                break
        assert 0.02 < np.median(found) < 0.2
        assert max(found) < 0.5

    def test_a_stiff_crank_is_left_alone(self):
        scenario = replace(
            draw_scenario(np.random.default_rng(1)), engine=EngineModel(), duration_s=2.0, fault=()
        )
        run = EngineRun(scenario, np.random.default_rng(1)).run()
        assert run.twist_rad is None
        assert np.all(np.diff(run.time_s) > 0)
        first = find_instants(
            np.array([run.first_deg]), first_deg=run.first_deg, time_s=run.time_s, speed=run.speed
        )
        assert first[0] == pytest.approx(run.time_s[0])
