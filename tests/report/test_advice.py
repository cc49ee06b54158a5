import itertools

import pytest

from misfire.errors import ParameterError
from misfire.records import FAULT_TYPES, IGNITIONS, Channel, Engine
from misfire.report.advice import advise_cycle, cautions, next_tests

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
        if "record again with" in lower and ("coil" in lower or "clamp on this" in lower):
            assert "kilovolts" in lower  # a lead is clipped to a coil that will run
        if "running" in lower and "voltage drop" in lower:
            assert "kilovolts" in lower
        assert "lift" not in lower  # never a lead off a running engine
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


PAIRS = ((1, 4), (2, 3))


def advise_pair(kind, cylinder):
    return " ".join(
        next_tests(
            kind,
            ignition="wasted_spark",
            channels_present={"coil_primary"},
            cylinder=cylinder,
            waste_pairs=PAIRS,
        )
    )


@pytest.mark.parametrize("kind", ["weak_coil", "no_primary"])
def test_a_waste_spark_coil_is_swapped_with_the_other_coil(kind):
    text = advise_pair(kind, 3)
    assert "swap the coil of cylinders 3 and 2 with the other coil (of cylinders 1 and 4)" in text
    stays = text[text.index("if it stays") :]
    for part in ("feed", "driver", "leads", "plugs", "cylinders"):
        assert part in stays
    assert "another cylinder's coil" not in text


@pytest.mark.parametrize("kind", ["open_secondary", "fouled_plug"])
def test_a_waste_spark_lead_is_swapped_across_the_coils(kind):
    # both plugs of a coil stand in one loop, so a swap within the pair would show nothing
    text = advise_pair(kind, 4)
    assert "swap the plug lead with that of cylinder 2, which the other coil fires" in text
    stays = text[text.index("if it stays") :]
    for part in ("coil", "plug", "cylinder"):
        assert part in stays


def make_channel(cylinders):
    return Channel("coil", "coil_primary", "V", 1.0, 0.0, 1e5, 0.0, 10, cylinders)


class TestAdviseCycle:
    def test_a_coil_of_two_cylinders_is_not_asked_for(self):
        engine = Engine(4, (1, 3, 4, 2), "wasted_spark")
        text = advise_cycle(engine, [make_channel((1, 4)), make_channel((2, 3))], (1, 4))
        assert "primary" not in text
        for way in ("pick-up on the plug lead of cylinder 1 or 4", "cam sensor", "swap the plugs"):
            assert way in text
        assert "engine off" in text
        assert "Caution" in text

    def test_a_coil_of_one_cylinder_is(self):
        engine = Engine(4, (1, 3, 4, 2), "coil_on_plug")
        assert "the primary of one coil of a known cylinder" in advise_cycle(engine, [], (1, 4))
        assert "primary of one" not in advise_cycle(engine, [make_channel((1,))], (1, 4))

    def test_a_distributor_s_coil_tells_nothing(self):
        text = advise_cycle(Engine(4, (1, 3, 4, 2), "distributor"), [], (1, 4))
        assert "primary" not in text
        assert "pick-up" in text
