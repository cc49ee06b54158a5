"""Numbers in messages: as many digits as asked for, and no powers of ten."""

import math
import re

import numpy as np
import pytest

from misfire.numerals import spell
from tests.architecture.test_imports import SOURCES


@pytest.mark.parametrize("digits", [1, 2, 3, 6])
def test_the_number_is_the_value_rounded(digits):
    rng = np.random.default_rng(4)
    for value in 10.0 ** rng.uniform(-8, 14, 400) * rng.choice([-1, 1], 400):
        text = spell(float(value), digits)
        assert "e" not in text
        # reference: Python's own rounding to significant digits
        assert float(text) == pytest.approx(float(f"{value:.{digits}g}"), rel=1e-12)


@pytest.mark.parametrize("value", [1e300, -1e-300, math.inf, math.nan])
def test_what_no_message_should_spell_out_stays_short(value):
    assert len(spell(value)) < 12


@pytest.mark.parametrize("room", ["fitness", "ingest", "hookup", "cli"])
def test_messages_of_a_room_hold_no_powers_of_ten(room):
    # `:g` and `:.3g` write 1.1e+03 for 1123 V
    for path in SOURCES:
        if room in path.parts:
            source = path.read_text(encoding="utf-8")
            assert not re.search(r"\{[^{}]+:(\.\d)?g\}", source), path.name
