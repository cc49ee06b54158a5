"""Cut-offs of a coil current: differences of counts without overflow."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from misfire.events.cutoffs import _exceeds

COUNTS = st.integers(-32768, 32767)


@given(
    pairs=arrays(np.int16, st.tuples(st.just(2), st.integers(0, 40)), elements=COUNTS),
    margin=st.integers(0, 70_000),
)
def test_differences_of_any_counts(pairs, margin):
    larger, smaller = pairs
    plain = [int(a) - int(b) > margin for a, b in zip(larger, smaller, strict=True)]
    assert _exceeds(larger, smaller, margin).tolist() == plain


def test_differences_at_their_ends():
    low, high = np.array([-32768], np.int16), np.array([32767], np.int16)
    assert _exceeds(high, low, 65534).tolist() == [True]
    assert _exceeds(high, low, 65535).tolist() == [False]
    assert _exceeds(low, high, 0).tolist() == [False]
    assert _exceeds(high, high, 0).tolist() == [False]
