"""Crossings against a closed form and a one-sample-at-a-time version."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose, assert_array_equal
from scipy.signal import medfilt

from misfire.dsp.crossings import drop_glitches, exceeds, find_crossings, iterate_segments
from misfire.errors import ParameterError

COUNTS = arrays(np.int16, st.integers(0, 60), elements=st.integers(-32768, 32767))
SMALL = arrays(np.int16, st.integers(0, 60), elements=st.integers(-6, 6))


def slow_crossings(counts, low, high):
    """Walk sample by sample, as a person would."""
    side, found = 0, []
    for i, value in enumerate(counts.tolist()):
        now = 1 if value >= high else -1 if value <= low else 0
        if now and side and now != side:
            level, before = (high if now > 0 else low), float(counts[i - 1])
            found.append((i - 1 + (level - before) / (value - before), now))
        side = now or side
    return found


def cut(counts, places):
    """Cut at the given places, empty pieces included."""
    return np.split(counts, sorted(p % (counts.size + 1) for p in places))


class TestFindCrossings:
    def test_sine(self):
        # closed form: sin(2 pi t / T) = +-0.5 at T (n + 1/12) rising, T (n + 7/12) falling
        period, n = 1000.0, 10_000
        counts = np.round(30000 * np.sin(2 * np.pi * np.arange(n) / period)).astype(np.int16)
        found = find_crossings([counts], low=-15000, high=15000)
        fall = found["sample"][found["edge"] < 0]
        rise = found["sample"][found["edge"] > 0]
        assert_allclose(fall, period * (np.arange(10) + 7 / 12), atol=0.01)
        assert_allclose(rise, period * (np.arange(1, 10) + 1 / 12), atol=0.01)

    @given(COUNTS | SMALL, st.floats(-8, 8), st.floats(0.1, 9))
    def test_slow_version(self, counts, low, width):
        found = find_crossings([counts], low=low, high=low + width)
        expected = slow_crossings(counts, low, low + width)
        assert_allclose(found["sample"], [s for s, _ in expected])
        assert_array_equal(found["edge"], [e for _, e in expected])

    @given(SMALL, st.lists(st.integers(0, 100), max_size=6))
    def test_any_cutting(self, counts, places):
        whole = find_crossings([counts], low=-2.5, high=1.5)
        assert_array_equal(find_crossings(cut(counts, places), low=-2.5, high=1.5), whole)

    @given(COUNTS)
    def test_reversed_polarity(self, counts):
        counts = np.maximum(counts, -32767)
        found = find_crossings([counts], low=-100, high=200)
        mirrored = find_crossings([-counts], low=-200, high=100)
        assert_allclose(mirrored["sample"], found["sample"])
        assert_array_equal(mirrored["edge"], -found["edge"])

    @pytest.mark.parametrize(
        ("low", "high"), [(1, 1), (2, 1), (float("nan"), 1), (0, float("inf"))]
    )
    def test_refuses_levels(self, low, high):
        with pytest.raises(ParameterError, match="low < high"):
            find_crossings([], low=low, high=high)

    @pytest.mark.parametrize("chunk", [np.zeros(3), np.zeros((2, 2), np.int16)])
    def test_refuses_chunks(self, chunk):
        with pytest.raises(ParameterError, match="1-D integer"):
            find_crossings([chunk], low=0, high=1)


class TestSegments:
    @given(COUNTS, st.lists(st.integers(0, 100), max_size=6), st.integers(1, 70))
    def test_same_for_any_cutting(self, counts, places, size):
        segments = list(iterate_segments(cut(counts, places), size=size))
        assert all(s.size == size for s in segments[:-1])
        joined = np.concatenate([*segments, np.empty(0, np.int16)])
        assert_array_equal(joined, counts)


class TestDropGlitches:
    @given(arrays(np.int16, st.integers(3, 60), elements=st.integers(-32768, 32767)))
    def test_median_of_three(self, counts):
        # reference: scipy.signal.medfilt, whose ends are padded with zeros
        assert_array_equal(drop_glitches(counts), medfilt(counts.astype(float), 3)[1:-1])


@given(
    pairs=arrays(
        np.int16, st.tuples(st.just(2), st.integers(0, 40)), elements=st.integers(-32768, 32767)
    ),
    margin=st.integers(0, 70_000),
)
def test_differences_of_any_counts(pairs, margin):
    larger, smaller = pairs
    plain = [int(a) - int(b) > margin for a, b in zip(larger, smaller, strict=True)]
    assert exceeds(larger, smaller, margin).tolist() == plain


def test_differences_at_their_ends():
    low, high = np.array([-32768], np.int16), np.array([32767], np.int16)
    assert exceeds(high, low, 65534).tolist() == [True]
    assert exceeds(high, low, 65535).tolist() == [False]
    assert exceeds(low, high, 0).tolist() == [False]
    assert exceeds(high, high, 0).tolist() == [False]
