"""Teeth out of place against crank angles that are known."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from misfire.cycles.wheel import decode_wheel
from misfire.cycles.wrongteeth import find_wrong_teeth
from misfire.records import CrankWheel
from tests.builders.wheels import GAPS, Crank

WHEELS = ["60-2", "36-1", "36-2", "36-2-1"]


def make_teeth(name, *, tooth=None, error_deg=0.0, pitch_error_deg=0.02, seed=1, rpm=900.0):
    """Instants of the teeth of a wheel, one of them out of place, at a speed that swings."""
    rng = np.random.default_rng(seed)
    crank = Crank(
        lambda t: rpm + 200.0 * np.sin(t),
        duration_s=6.0,
        start_deg=2.0,
        ripple=0.03,
        ripple_order=2,
        step_s=1e-4,
    )
    time_s, angle = crank.teeth(name)
    positions = GAPS[name][0]
    place = np.round(angle / 360.0 * positions).astype(int) % positions
    error = rng.normal(0.0, pitch_error_deg, positions)
    if tooth is not None:
        error[tooth] = error_deg
    rising = np.concatenate(([True], np.diff(crank.angle_deg) > 0))
    seen_s = np.interp(angle + error[place], crank.angle_deg[rising], crank.time_s[rising])
    inside = (seen_s > 0.01) & (seen_s < 5.9)
    return crank, seen_s[inside], angle[inside]


@pytest.mark.parametrize("name", WHEELS)
@pytest.mark.parametrize("seed", range(5))
def test_a_bent_tooth_is_found_and_put_right(name, seed):
    # 1 degree out of place, on a wheel made to 0.02 degrees
    positions, gaps = GAPS[name]
    rng = np.random.default_rng(seed)
    missing = {(p - gaps[0][-1] - 1) % positions for gap in gaps for p in gap}
    tooth = int(rng.choice([k for k in range(positions) if k not in missing]))
    error_deg = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.8, 1.5))
    crank, seen_s, _ = make_teeth(name, tooth=tooth, error_deg=error_deg, seed=seed)
    track = decode_wheel(seen_s, wheel=CrankWheel(positions, gaps))
    assert [f.code for f in track.findings] == ["crank_tooth_out"]
    error = (crank.angle(track.time_s) - track.angle_deg[:] + 180.0) % 360.0 - 180.0
    error -= np.median(error)
    assert np.abs(error).max() < 0.15  # seven times the making of the others


@pytest.mark.parametrize("name", WHEELS)
def test_a_wheel_as_made_is_left_alone(name):
    _, seen_s, _ = make_teeth(name, pitch_error_deg=0.03)
    track = decode_wheel(seen_s, wheel=CrankWheel(*GAPS[name]))
    assert find_wrong_teeth(track) == {}
    assert_array_equal(track.time_s, seen_s[: track.time_s.size])
