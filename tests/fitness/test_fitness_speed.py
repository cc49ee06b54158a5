"""Speeds that no engine passes through, and the steepest that engines do."""

from dataclasses import replace

import numpy as np
import pytest

from misfire.cycles.assign import find_firings
from misfire.cycles.phase import Phase
from misfire.fitness.sparks import check_continuity
from tests.builders.engines import TorqueEngine, make_engine


@pytest.fixture(scope="module")
def firings():
    """Build a four-cylinder engine at 900 rev/min, as firings."""
    engine = make_engine((1, 3, 4, 2))
    made = TorqueEngine(engine, rpm=900, n_cycles=60)
    phase = Phase(made.tdc_deg, {0: 0.0}, True, True, "given")
    return find_firings(made.track(), [], engine=engine, phase=phase)


def set_speed(firings, rpm):
    """Give the firings other speeds, and the distances in time that go with them."""
    interval_s = 30.0 / np.asarray(rpm, float)  # 180 degrees
    return replace(firings, rpm=np.asarray(rpm, float), tdc_s=np.cumsum(interval_s))


class TestJump:
    def test_two_recordings_joined(self, firings):
        rpm = np.where(np.arange(firings.rpm.size) < 100, 900.0, 2800.0)
        found = check_continuity(set_speed(firings, rpm))
        assert [f.code for f in found] == ["speed_jump"]
        assert "from 900 to 2800" in found[0].message

    def test_lower_speed_behind(self, firings):
        rpm = np.where(np.arange(firings.rpm.size) < 100, 3000.0, 800.0)
        assert check_continuity(set_speed(firings, rpm))


class TestEngine:
    def test_as_it_is(self, firings):
        assert check_continuity(firings) == []

    def test_throttle_blip_without_load(self, firings):
        # 12 000 rev/min in a second: a light engine, clutch out (common practice: 5 to 15 thousand)
        rpm = [900.0]
        while len(rpm) < firings.rpm.size:
            rpm.append(min(6000.0, rpm[-1] + 12e3 * 30.0 / rpm[-1]))
        assert check_continuity(set_speed(firings, rpm)) == []

    def test_a_tooth_too_many(self, firings):
        rpm = np.full(firings.rpm.size, 900.0)
        rpm[100] = 2000.0
        assert check_continuity(set_speed(firings, rpm)) == []

    def test_lost_combustions(self, firings):
        # 60 rev/min each at idle (ANCHORS D)
        rpm = 900.0 - 60.0 * (np.arange(firings.rpm.size) % 8 < 2)
        assert check_continuity(set_speed(firings, rpm)) == []
