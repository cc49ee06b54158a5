import itertools

import pytest

from misfire.errors import ParameterError
from misfire.records import FAULT_TYPES, IGNITIONS
from misfire.report.advice import cautions, next_tests

ALL = list(itertools.product(FAULT_TYPES, IGNITIONS))


@pytest.mark.parametrize(("kind", "ignition"), ALL)
def test_every_fault_has_tests_with_cautions(kind, ignition):
    for present in (frozenset(), frozenset({"coil_primary", "crank", "starter_current"})):
        tests = next_tests(kind, ignition=ignition, channels_present=present)
        assert 3 <= len(tests) <= 9
        assert len(set(tests)) == len(tests)
        assert any("Caution" in t for t in tests)
        assert "record again" in tests[-1]


@pytest.mark.parametrize(("kind", "ignition"), ALL)
def test_dangerous_work_carries_its_caution(kind, ignition):
    for text in next_tests(kind, ignition=ignition, channels_present=()):
        lower = text.lower()
        if "spark tester" in lower or "swap the coil" in lower:
            assert "kilovolts" in lower
            assert "rated" in lower or "engine off" in lower
        if "crank for" in lower or "cranking compression" in lower:
            assert "disable fuel and ignition" in lower
        if "injector with another" in lower:
            assert "fuel under pressure" in lower
        if "voltage drop" in lower and "running" in lower:
            assert "fans" in lower


def test_cheap_comes_before_dear():
    low = next_tests("low_compression", ignition="distributor", channels_present=())
    order = [
        next(i for i, t in enumerate(low) if word in t)
        for word in ("starter cable", "gauge", "leakage", "head comes off")
        if any(word in t for t in low)
    ]
    assert order == sorted(order)
    assert len(order) >= 3


def test_what_was_recorded_is_not_asked_for_again():
    without = next_tests("weak_coil", ignition="coil_on_plug", channels_present=())
    having = next_tests("weak_coil", ignition="coil_on_plug", channels_present={"coil_current"})
    assert any("current clamp" in t for t in without)
    assert not any("current clamp" in t for t in having)


def test_parts_fit_the_ignition():
    text = " ".join(next_tests("open_secondary", ignition="coil_on_plug", channels_present=()))
    assert "distributor" not in text
    text = " ".join(next_tests("open_secondary", ignition="distributor", channels_present=()))
    assert "rotor" in text


def test_general_cautions_name_the_dangers_and_defer():
    text = " ".join(cautions()).lower()
    for word in ("maker", "local rules", "licensed", "kilovolts", "pacemaker", "fans", "fuel"):
        assert word in text


def test_unknown_names_are_refused():
    with pytest.raises(ParameterError, match="fault_type"):
        next_tests("gremlin", ignition="coil_on_plug", channels_present=())
    with pytest.raises(ParameterError, match="ignition"):
        next_tests("mixture", ignition="glow_plug", channels_present=())
