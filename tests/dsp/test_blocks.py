"""Cutting a channel into blocks loses nothing and repeats nothing."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from misfire.dsp.blocks import iterate_blocks
from misfire.errors import ParameterError

LINE = np.arange(1000, dtype=np.int16)


def read(start, stop):
    assert 0 <= start <= stop <= LINE.size
    return LINE[start:stop]


class TestIterateBlocks:
    @given(st.integers(0, 1000), st.integers(1, 1200), st.integers(0, 300), st.integers(0, 300))
    def test_blocks_tile_the_channel(self, n, size, before, after):
        own = []
        for start, stop, first, counts in iterate_blocks(
            read, n, size=size, before=before, after=after
        ):
            own.append(counts[start - first : stop - first])
            assert first == max(0, start - before)
            assert first + counts.size == min(stop + after, n)
        assert_array_equal(np.concatenate(own) if own else LINE[:0], LINE[:n])

    def test_reads_no_more_than_a_block_and_its_context(self):
        most = max(c.size for *_, c in iterate_blocks(read, 1000, size=100, before=7, after=5))
        assert most == 112

    @pytest.mark.parametrize("bad", [{"size": 0}, {"size": -1}, {"before": -1}, {"after": -1}])
    def test_refusal(self, bad):
        with pytest.raises(ParameterError, match="size > 0 and context >= 0"):
            next(iterate_blocks(read, 10, **bad))
