"""What can be told from which channels: the table is explicit, complete and consistent."""

from itertools import chain, combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from misfire.classify.separability import (
    ADVICE,
    NEEDS,
    PRIOR,
    WITNESSES,
    advise_channels,
    find_separable,
    spread_probability,
)
from misfire.records import FAULT_TYPES

SUBSETS = [frozenset(s) for s in chain.from_iterable(combinations(WITNESSES, k) for k in range(6))]


@st.composite
def shares(draw):
    weights = draw(st.lists(st.floats(0, 1), min_size=7, max_size=7))
    total = sum(weights)
    return np.array(weights) / total if total > 1e-6 else np.full(7, 1 / 7)


class TestTable:
    def test_complete(self):
        assert set(NEEDS) == set(FAULT_TYPES) == set(PRIOR)
        assert set(ADVICE) == set(WITNESSES)
        assert all(ways and all(ways) for ways in NEEDS.values())
        assert all(need <= set(WITNESSES) for ways in NEEDS.values() for need in ways)

    def test_prior_is_a_distribution(self):
        assert sum(PRIOR.values()) == pytest.approx(1.0)
        assert min(PRIOR.values()) > 0

    # CONTRACT, table of fault types: which signals each one changes
    @pytest.mark.parametrize(
        ("witnesses", "told", "not_told"),
        [
            ({"burn"}, {"open_secondary", "fouled_plug"}, {"mixture", "low_compression"}),
            ({"torque"}, {"crank_signal"}, {"mixture", "open_secondary", "no_primary"}),
            ({"switching"}, {"no_primary"}, {"mixture", "weak_coil"}),
            ({"burn", "torque"}, {"mixture", "open_secondary"}, {"no_primary"}),
            ({"current"}, {"weak_coil"}, {"open_secondary", "mixture"}),
            ({"cranking"}, {"low_compression"}, {"mixture"}),
        ],
        ids=lambda v: "+".join(sorted(v)),
    )
    def test_against_the_contract(self, witnesses, told, not_told):
        found = find_separable(witnesses)
        assert told <= found
        assert not (not_told & found)

    def test_nothing_and_everything(self):
        assert find_separable(()) == frozenset()
        assert find_separable(WITNESSES) == frozenset(FAULT_TYPES)

    @pytest.mark.parametrize("more", WITNESSES)
    def test_another_witness_never_tells_less(self, more):
        for have in SUBSETS:
            assert find_separable(have) <= find_separable(have | {more})


class TestSpread:
    @given(shares(), st.sampled_from(SUBSETS))
    def test_stays_a_distribution(self, faults, witnesses):
        spread = spread_probability(faults, witnesses)
        assert spread.sum() == pytest.approx(1.0)
        assert np.all(spread >= 0)

    @given(shares(), st.sampled_from(SUBSETS))
    def test_what_can_be_told_keeps_its_share(self, faults, witnesses):
        told = [t in find_separable(witnesses) for t in FAULT_TYPES]
        assert_allclose(spread_probability(faults, witnesses)[told], faults[told], atol=1e-12)

    @given(shares())
    def test_with_all_witnesses_nothing_is_spread(self, faults):
        assert_allclose(spread_probability(faults, WITNESSES), faults, atol=1e-12)

    @given(shares(), st.sampled_from(SUBSETS))
    def test_input_is_left_alone(self, faults, witnesses):
        before = faults.copy()
        spread_probability(faults, witnesses)[:] = -1.0
        assert_array_equal(faults, before)

    def test_certainty_without_a_witness_is_broken(self):
        sure = np.eye(7)[FAULT_TYPES.index("mixture")]
        spread = spread_probability(sure, {"torque"})
        assert spread.max() < 0.7
        assert np.all(spread[[FAULT_TYPES.index(t) for t in ("open_secondary", "weak_coil")]] > 0)


class TestAdvice:
    def test_settles_what_it_advises_on(self):
        words = {text: witness for witness, text in ADVICE.items()}
        for have in SUBSETS:
            for fault in FAULT_TYPES:
                advised = {words[text] for text in advise_channels([fault], have)}
                assert not (advised & have)
                assert fault in find_separable(have | advised)

    def test_nothing_where_all_is_told(self):
        assert advise_channels(FAULT_TYPES, WITNESSES) == ()
        assert advise_channels((), ()) == ()
