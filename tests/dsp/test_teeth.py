import numpy as np
import pytest
from numpy.testing import assert_array_equal

from misfire.dsp.teeth import StretchNumbers, TurnedAngles


def make_angles(
    *, missing=(3, 4), positions=7, pitch_deg=360.0 / 7, runs=((-9, 0, 40), (52, 40, 1))
):
    """Count out what a wheel's teeth stand at, one by one; and the same in runs."""
    offsets = np.array([p for p in range(positions) if p not in missing])
    angle = []
    for turned, _, n in runs:
        for k in range(turned, turned + n):
            turn, tooth = divmod(k, offsets.size)
            angle.append((turn * positions + int(offsets[tooth])) * pitch_deg)
    turned, first, _ = np.array(runs).T
    counted = TurnedAngles(first, turned, len(angle), offsets, positions, pitch_deg)
    return np.array(angle), counted


RUNS = [
    ((0, 0, 1),),
    ((0, 0, 100),),
    ((-9, 0, 40), (52, 40, 1)),
    ((-1, 0, 3), (3, 3, 1), (5, 4, 20), (700, 24, 9)),
]


@pytest.mark.parametrize("runs", RUNS)
class TestTurnedAngles:
    def test_stands_for_the_array(self, runs):
        angle, counted = make_angles(runs=runs)
        assert len(counted) == counted.size == angle.size
        assert_array_equal(counted, angle)
        assert_array_equal(counted[1:-1:2], angle[1:-1:2])
        assert_array_equal(counted[[0, -1]], angle[[0, -1]])
        assert_array_equal(counted[counted > 0], angle[angle > 0])
        assert_array_equal(counted % 360.0, angle % 360.0)
        assert counted[-1] == angle[-1]

    def test_no_tooth_beyond_the_last(self, runs):
        angle, counted = make_angles(runs=runs)
        for at in (angle.size, -angle.size - 1, [0, angle.size]):
            with pytest.raises(IndexError, match="there is no tooth"):
                counted[at]

    @pytest.mark.parametrize("side", ["left", "right"])
    def test_finds_places_as_numpy_does(self, runs, side):
        angle, counted = make_angles(runs=runs)
        looked = np.concatenate(
            (
                angle,
                np.nextafter(angle, -np.inf),
                np.nextafter(angle, np.inf),
                np.linspace(angle[0] - 1000.0, angle[-1] + 1000.0, 5003),
                [np.nan, np.inf, -np.inf],
            )
        )
        expected = np.searchsorted(angle, looked, side=side)
        assert_array_equal(counted.searchsorted(looked, side=side), expected)


def test_stretches_stand_for_the_array():
    counted = StretchNumbers(np.array([0, 4, 5]), np.array([0, 2, 3], np.int32), 9)
    number = np.array([0, 0, 0, 0, 2, 3, 3, 3, 3])
    assert_array_equal(counted, number)
    assert_array_equal(counted[np.array([8, 0, 4])], number[[8, 0, 4]])
    assert_array_equal(np.unique(counted), [0, 2, 3])
    assert_array_equal(counted == 3, number == 3)
