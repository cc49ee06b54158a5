"""Counting instead of sorting, against numpy."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from misfire.dsp import histogram
from misfire.dsp.histogram import count_values
from misfire.errors import ParameterError


@pytest.mark.parametrize("n", [1, 2, 7, 1000])
@pytest.mark.parametrize("spread", [1, 40, 9000])
def test_quantiles_are_numpys_to_the_last_bit(n, spread):
    rng = np.random.default_rng(n + spread)
    counts = np.clip(rng.normal(300, spread, n), -32768, 32767).astype(np.int16)
    found = count_values(counts)
    for share in (0.0, 0.01, 0.25, 0.5, 0.75, 0.987, 1.0):
        assert found.quantile(share) == np.quantile(counts.astype(float), share)


def test_numbers_are_numpys_also_piece_by_piece(monkeypatch):
    counts = np.random.default_rng(0).integers(-32768, 32768, 50_000).astype(np.int16)
    values, numbers = np.unique(counts, return_counts=True)
    for piece in (1 << 17, 999):
        monkeypatch.setattr(histogram, "_PIECE", piece)
        found = count_values(counts)
        assert_array_equal(found.values, values)
        assert_array_equal(found.numbers, numbers)
        assert found.size == counts.size
    dense = found.count_each()
    assert_array_equal(dense, np.bincount(counts.astype(int) - counts.min()))


def test_distances_from_a_centre():
    counts = np.array([-3, -1, 0, 0, 2, 5], np.int16)
    folded = count_values(counts).fold(1.0)
    assert_array_equal(np.repeat(folded.values, folded.numbers), np.sort(np.abs(counts - 1.0)))


def test_nothing_has_no_quantile():
    empty = count_values(np.empty(0, np.int16))
    assert empty.size == 0
    assert empty.count_each().size == 0
    with pytest.raises(ParameterError, match="no quantile"):
        empty.quantile(0.5)
