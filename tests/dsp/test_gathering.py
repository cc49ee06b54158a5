"""Small arrays gathered into one, against numpy's own joining."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_array_equal

from misfire.dsp import gathering
from misfire.dsp.gathering import Gatherer


@given(st.lists(arrays(np.int32, st.integers(0, 12)), max_size=20), st.integers(1, 9))
def test_joins_as_numpy_does(parts, n_piece):
    rows = Gatherer(np.dtype(np.int32))
    rows._n_piece = rows._n_step = n_piece
    for _ in range(2):  # it can be used again
        for part in parts:
            rows.add(part)
        assert_array_equal(rows.join(), np.concatenate([np.empty(0, np.int32), *parts]))
    assert rows.join().size == 0


def test_cleared_rows_are_gone():
    rows = Gatherer(np.dtype(float))
    rows.add(np.arange(3.0))
    rows.clear()
    rows.add(np.array([7.0]))
    assert rows.join().tolist() == [7.0]


def test_rows_of_fields_beyond_one_piece():
    kind = np.dtype([("a", "f8"), ("b", "i1")])
    n = 2 * gathering.PIECE_BYTES // kind.itemsize + 5
    lines = np.zeros(n, kind)
    lines["a"], lines["b"] = np.arange(n), 1
    rows = Gatherer(kind)
    for part in np.array_split(lines, 7):
        rows.add(part)
    assert_array_equal(rows.join(), lines)


def test_rows_of_some_fields_keep_their_values():
    whole = np.zeros(5, [("a", "f8"), ("b", "i1"), ("c", "f8")])
    whole["a"], whole["c"] = np.arange(5), 7 * np.arange(5)
    rows = Gatherer(np.dtype([("a", "f8"), ("c", "f8")]))
    rows.add(whole[["a", "c"]])
    kept = rows.join()
    assert kept["a"].tolist() == [0, 1, 2, 3, 4]
    assert kept["c"].tolist() == [0, 7, 14, 21, 28]
