"""A leak under the starter: likelihood ratios against laws written out with scipy."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from misfire.diagnosis.firings.sealwitness import weigh_approach, weigh_compression
from misfire.features.compression import CompressionTable


def table(*shares, z=20.0):
    """One witness: starter current, of cylinders with such shares of the others' compression."""
    values = np.array(shares, float)
    known = np.where(np.isfinite(values), z, np.nan)
    return CompressionTable(
        relative={"starter current": values},
        z={"starter current": np.where(values < 1.0, known, -known)},
        n_strokes=np.full(values.size, 10),
    )


def test_against_students_law():
    # 60 % of the others' compression, told to 0.4 / 20 = 2 %: Student's law with 4 degrees of
    # freedom about 0.65 (leak) and 1 (sound), by scipy; seven tenths of it count
    t = stats.t(4)
    leak = t.logpdf((0.6 - 0.65) / np.hypot(0.2, 0.02)) - np.log(np.hypot(0.2, 0.02))
    sound = t.logpdf((0.6 - 1.0) / np.hypot(0.05, 0.02)) - np.log(np.hypot(0.05, 0.02))
    told = weigh_compression(table(0.6, 1.0), 2)
    assert told[0] == pytest.approx(0.7 * (leak - sound), rel=1e-6)


def test_limits_of_the_trade():
    # common practice: cylinders within a tenth of each other are sound, three quarters are not
    told = weigh_compression(table(0.55, 0.75, 0.95, 1.0, 1.05, np.nan), 6)
    assert told[0] > told[1] > 1.0
    assert (told[2:5] < 0.0).all()
    assert told[5] == 0.0
    assert_allclose(weigh_compression(None, 3), 0.0)


def test_what_hardly_resolves_says_little():
    sharp = weigh_compression(table(0.7, 1.0, z=20.0), 2)[0]
    faint = weigh_compression(table(0.7, 1.0, z=1.0), 2)[0]
    assert 0.0 < abs(faint) < 0.3 * sharp


def test_cylinders_that_differ_anyway_tell_of_no_leak():
    calm = weigh_approach(np.array([0.1, -0.2, 2.5, 0.0]))
    banks = weigh_approach(np.array([-4.1, 4.9, 4.2, -4.0, 4.9, -13.0]))
    assert calm[2] > 1.5
    assert (np.abs(banks) < 0.7).all()
