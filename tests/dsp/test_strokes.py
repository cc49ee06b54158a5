"""Rows of strokes: what a channel cannot show is not kept, and reads as not measurable."""

import numpy as np
import pytest

from misfire.dsp.strokes import UNSEEN, get_measure, list_shown, make_form, make_strokes
from misfire.records import STROKE_FIELDS

NAMES = [name for name, _ in STROKE_FIELDS]


def test_fresh_rows_measure_nothing():
    rows = make_strokes(3)
    assert rows.shape == (3,)
    for name, kind in STROKE_FIELDS:
        if kind == "f8":
            assert np.isnan(rows[name]).all()
    assert rows["strikes"].tolist() == [1, 1, 1]


@pytest.mark.parametrize("role", [*UNSEEN, "coil_secondary"])
def test_what_is_kept_and_what_is_not_make_the_whole(role):
    shown = list_shown(role)
    assert sorted([*shown, *UNSEEN.get(role, ())]) == sorted(NAMES)
    assert make_form(role).names == tuple(shown)
    rows = np.ones(2, make_form(role))
    for name in NAMES:
        values = get_measure(rows, name)
        assert values.shape == (2,)
        assert np.isnan(values).all() if name not in shown else (values == 1).all()


def test_a_clamp_shows_no_voltage_and_a_voltage_no_current():
    # Ohm's law aside, a current clamp has no volts and a voltage input no amperes
    assert not {n for n in list_shown("coil_current") if n.endswith(("_v", "_v_per_ms"))}
    assert not {n for n in list_shown("coil_primary") if n.endswith(("_a", "_a_per_ms"))}
