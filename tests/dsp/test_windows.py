"""Windows and lines against slow versions and numpy's own fit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose, assert_array_equal

from misfire.dsp.windows import cut_windows, find_sum_span, fit_lines, fit_spans


def slow_windows(counts, anchors, before, after):
    rows = []
    for anchor in anchors:
        rows.append(
            [
                float(counts[i]) if 0 <= i < counts.size else np.nan
                for i in range(anchor - before, anchor + after)
            ]
        )
    return np.array(rows).reshape(len(anchors), before + after)


class TestCutWindows:
    @given(
        arrays(np.int16, st.integers(0, 30), elements=st.integers(-32768, 32767)),
        st.lists(st.integers(-10, 40), max_size=5),
        st.integers(0, 6),
        st.integers(0, 6),
    )
    def test_slow_version(self, counts, anchors, before, after):
        found = cut_windows(counts, np.array(anchors, np.int64), before=before, after=after)
        assert_array_equal(found, slow_windows(counts, anchors, before, after))
        assert found.dtype == np.float64


class TestFitLines:
    def test_polyfit(self):
        rng = np.random.default_rng(3)
        x = np.linspace(-2.0, 5.0, 40)
        y = rng.normal(size=(25, 40)) + np.outer(rng.normal(size=25), x)
        mask = rng.random((25, 40)) < 0.6
        slope, intercept = fit_lines(y, mask, x)
        for row in range(25):
            expected = np.polynomial.polynomial.polyfit(x[mask[row]], y[row, mask[row]], 1)
            assert_allclose((intercept[row], slope[row]), expected, rtol=1e-9, atol=1e-12)

    def test_nan_samples_do_not_count(self):
        x = np.arange(6.0)
        y = (3 * x - 2)[None].copy()
        y[0, 2] = np.nan
        slope, intercept = fit_lines(y, np.ones((1, 6), bool), x)
        assert_allclose((slope[0], intercept[0]), (3, -2))

    @pytest.mark.parametrize("n", [0, 1, 2])
    def test_fewer_than_three_samples(self, n):
        x = np.arange(5.0)
        mask = (x < n)[None]
        slope, intercept = fit_lines(x[None], mask, x)
        assert np.isnan(slope[0])
        assert np.isnan(intercept[0])

    def test_a_row_does_not_depend_on_its_neighbours(self):
        rng = np.random.default_rng(4)
        x, y = np.arange(50.0) / 7, rng.normal(size=(30, 50))
        mask = rng.random((30, 50)) < 0.5
        whole = np.stack(fit_lines(y, mask, x), axis=1)
        alone = np.concatenate(
            [np.stack(fit_lines(y[i : i + 1], mask[i : i + 1], x), axis=1) for i in range(30)]
        )
        assert whole.tobytes() == alone.tobytes()


class TestFitSpans:
    """Against the fit with a mask over the whole windows, to the last bit."""

    @given(
        st.integers(1, 4000),
        st.integers(0, 3999),
        st.lists(st.tuples(st.integers(0, 700), st.integers(-3, 700)), min_size=1, max_size=6),
        st.integers(0, 2**32 - 1),
    )
    def test_masked_fit(self, width, origin, spans, seed):
        rng = np.random.default_rng(seed)
        windows = rng.normal(size=(len(spans), width)) * 10.0 ** rng.integers(-4, 5)
        x = (np.arange(width) - 0.9 * width) / 3.1
        start = np.array([min(origin + a, width) for a, _ in spans])
        stop = np.array([min(origin + a + n, width) for a, n in spans])
        column = np.arange(width)
        mask = (column >= start[:, None]) & (column < stop[:, None])
        expected = np.stack(fit_lines(windows, mask, x))
        before = max(0, int(min(start.min(), stop.min())))  # so many samples are not cut out
        found = fit_spans(
            windows[:, before:], start - before, stop - before, x[before:], before=before
        )
        assert np.stack(found).tobytes() == expected.tobytes()


class TestSumSpan:
    """Against numpy's sum of the whole row, to the last bit."""

    @given(
        st.integers(1, 5000), st.integers(0, 4999), st.integers(1, 600), st.integers(0, 2**32 - 1)
    )
    def test_the_part_sums_to_the_bits_of_the_row(self, width, start, length, seed):
        start = min(start, width - 1)
        stop = min(width, start + length)
        rows = np.zeros((2, width))
        rng = np.random.default_rng(seed)
        rows[:, start:stop] = rng.normal(size=(2, stop - start)) * 10.0 ** rng.integers(-6, 6)
        low, high = find_sum_span(width, start, stop)
        assert low <= start < stop <= high
        assert rows[:, low:high].sum(axis=1).tobytes() == rows.sum(axis=1).tobytes()

    def test_a_short_part_of_a_long_row_stays_short(self):
        assert find_sum_span(1 << 16, 1030, 1100) == (1024, 1152)
