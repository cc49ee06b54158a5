"""A fault of one coil against faults of its cylinders, by Bayes' rule worked out by hand."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from misfire.diagnosis.firings.states import KINDS
from misfire.diagnosis.onecoil import weigh_coils
from misfire.records import FAULT_TYPES, Engine

DISTRIBUTOR = ((1, 2, 3, 4),)
WASTED = ((1, 4), (2, 3))


def judge(odds, coils, *, kind="mixture", evidence=None):
    """Probabilities and likeliest kinds; each cylinder by itself is said to have `kind`."""
    kinds = np.full((len(odds), len(FAULT_TYPES)), 0.1 / (len(FAULT_TYPES) - 1))
    kinds[:, FAULT_TYPES.index(kind)] = 0.9
    told = np.zeros((len(odds), len(KINDS))) if evidence is None else evidence
    odds, kinds = weigh_coils(np.array(odds, float), kinds, told, coils)
    assert_allclose(kinds.sum(axis=1), 1.0)
    return 1 / (1 + np.exp(-odds)), [FAULT_TYPES[i] for i in kinds.argmax(axis=1)]


def test_two_cylinders_by_hand():
    # log odds 1 and 1, one cylinder in ten at fault, three coils in a hundred: Bayes' rule
    ratio = np.exp(1.0) * 9.0
    one = 0.03 * ratio**2
    each = 0.97 * (0.9 + 0.1 * ratio) ** 2
    chance = one / (one + each)
    said, _ = judge([1.0, 1.0], ((1, 2),))
    own = np.exp(1.0) / (1 + np.exp(1.0))
    assert_allclose(said, chance + (1 - chance) * own, rtol=1e-6)


def test_what_all_cylinders_of_a_distributor_have_is_the_coils():
    said, kinds = judge([2.0, 0.5, 1.0, 0.0], DISTRIBUTOR)
    assert (said > 0.9).all()
    assert set(kinds) == {"weak_coil"}


@pytest.mark.parametrize("coils", [DISTRIBUTOR, WASTED])
def test_a_sound_cylinder_speaks_for_its_coil(coils):
    said, kinds = judge([6.0, -5.0, -5.0, -5.0], coils)
    assert said[0] > 0.99
    assert (said[1:] < 0.03).all()
    assert kinds[0] == "mixture"


def test_a_pair_that_fails_together():
    said, kinds = judge([4.0, -5.0, -5.0, 3.0], WASTED)
    assert (said[[0, 3]] > 0.95).all()
    assert (said[1:3] < 0.02).all()
    assert kinds[0] == kinds[3] == "weak_coil"


def test_the_sparks_choose_among_the_coils_faults():
    evidence = np.zeros((4, len(KINDS)))
    evidence[:, list(KINDS).index("no_primary")] = 5.0
    _, kinds = judge([4.0] * 4, DISTRIBUTOR, evidence=evidence)
    assert set(kinds) == {"no_primary"}


def test_what_a_coil_cannot_have_stays_possible():
    """However sure the firings: by hand as above, and a tenth of the shares is each one's own."""
    kinds = np.zeros((4, len(FAULT_TYPES)))
    kinds[:, FAULT_TYPES.index("mixture")] = 1.0
    _, found = weigh_coils(np.full(4, 30.0), kinds, np.zeros((4, len(KINDS))), DISTRIBUTOR)
    chance = 0.03 / (0.03 + 0.97 * 0.1**4)  # one rare fault against four
    assert_allclose(found[:, FAULT_TYPES.index("mixture")], 1.0 - 0.9 * chance, rtol=1e-6)
    assert_allclose(found[:, FAULT_TYPES.index("weak_coil")], 0.9 * chance * 0.5, rtol=1e-6)


def test_a_coil_on_each_plug_is_none_of_these():
    order = (1, 3, 4, 2)
    assert Engine(4, order, "coil_on_plug").shared_coils == ()
    assert Engine(4, order, "wasted_spark").shared_coils == WASTED
    assert judge([4.0] * 4, ())[1] == ["mixture"] * 4
