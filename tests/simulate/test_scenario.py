"""Scenario files: complete round trip, partial files, and refusals that name the field."""

import collections

import numpy as np
import pytest

from misfire.errors import FormatError, ParameterError
from misfire.records import FAULT_TYPES
from misfire.simulate import Scenario, draw_scenario, format_scenario, read_scenario
from misfire.simulate.scenario import CONDITIONS
from misfire.simulate.scenario_file import parse_scenario


def test_round_trip_of_drawn_scenarios():
    for seed in range(60):
        scenario = draw_scenario(np.random.default_rng(seed))
        assert parse_scenario(format_scenario(scenario)) == scenario


def test_draws_cover_everything():
    drawn = [draw_scenario(np.random.default_rng(seed)) for seed in range(400)]
    assert {f.type for s in drawn for f in s.fault} == set(FAULT_TYPES)
    assert {s.drive.condition for s in drawn} == set(CONDITIONS)
    assert {s.engine.ignition for s in drawn} == {"coil_on_plug", "wasted_spark", "distributor"}
    assert {1, 3, 4, 6, 8, 12} <= {s.engine.cylinders for s in drawn}
    for scenario in drawn:
        names = [c.name for c in scenario.channel]
        assert len(set(names)) == len(names)
    assert any(s.engine.firing_angles_deg for s in drawn)
    assert any(len(s.instrument) == 2 for s in drawn)
    sick = sum(bool(s.fault) for s in drawn) / 400
    assert sick == pytest.approx(0.65, abs=0.08)
    assert collections.Counter(s.crank_wheel.sensor for s in drawn)["hall"] > 80


def test_healthy_share():
    drawn = [draw_scenario(np.random.default_rng(s), healthy_share=1.0) for s in range(20)]
    assert not any(s.fault for s in drawn)


def test_same_seed_same_scenario():
    a = draw_scenario(np.random.default_rng(5))
    assert a == draw_scenario(np.random.default_rng(5))
    assert a != draw_scenario(np.random.default_rng(6))


def test_partial_file_keeps_defaults(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text(
        'seed = 9\nduration_s = 5\n[engine]\nidle_rpm = 700\n[[fault]]\ntype = "weak_coil"\n'
        "cylinder = 2\n"
    )
    scenario = read_scenario(path)
    assert scenario.engine.idle_rpm == 700
    assert scenario.engine.displacement_l == Scenario().engine.displacement_l
    assert scenario.fault[0].kind == "shorted"


def test_drawn_base_with_changes():
    scenario = parse_scenario("seed = 12\ndraw = true\nduration_s = 4.0\n[drive]\nload = 0.9\n")
    base = draw_scenario(np.random.default_rng(12))
    assert scenario.engine == base.engine
    assert scenario.duration_s == 4.0
    assert scenario.drive.load == 0.9


@pytest.mark.parametrize("seed", range(700, 720))  # several draw an uneven engine of six
def test_a_given_engine_replaces_the_drawn_one_with_its_angles(seed):
    scenario = parse_scenario(
        f"seed = {seed}\ndraw = true\n[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n"
        'ignition = "coil_on_plug"\n[[channel]]\nrole = "crank"\n[[fault]]\ncylinder = 2\n'
    )
    assert scenario.engine.firing_angles_deg == ()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("speed = 3", "no field 'speed'"),
        ("seed = -1", "seed: need a whole number"),
        ("seed = true", "seed: need a whole number"),
        ('draw = "yes"', "draw: need true or false"),
        ("[engine]\ncylinders = 14", "engine.cylinders: need 1 to 12"),
        ("[engine]\ncylinders = 4.5", "engine.cylinders: need int"),
        ("[engine]\nfiring_order = [1, 2, 3, 3]", "each of the cylinders"),
        ("[engine]\nfiring_order = 5", "engine.firing_order: need a list"),
        ('[coil]\nturns_ratio = "x"', "coil.turns_ratio: need float"),
        ("coil = 3", r"coil: write it as \[coil\]"),
        ("[fault]\ncylinder = 1", r"fault: write it as \[\[fault\]\]"),
        ('[[fault]]\ntype = "rust"', "fault.type: need one of"),
        ('[[fault]]\ntype = "mixture"\nkind = "open"', "fault.kind: mixture is one of"),
        ('[[fault]]\ntype = "crank_signal"', "fault.cylinder: 0 for crank_signal"),
        ('[[fault]]\ntype = "mixture"\ncylinder = 7', "no cylinder 7"),
        ('[[channel]]\nrole = "radio"', "channel.role: need one of"),
        ('[[channel]]\nrole = "crank"\ninstrument = 1', "instrument 1 is not there"),
        ("[crank_wheel]\ngaps = [[61]]", "crank_wheel.gaps"),
        ("[cam]\nrising_deg = [10, 20]\nfalling_deg = [30, 40]", "must alternate"),
        ("[drive]\nroad_low_hz = 9\nroad_high_hz = 8", "below road_high_hz"),
        ("channel = []", "at least one"),
    ],
)
def test_refusals(text, message):
    with pytest.raises(ParameterError, match=message):
        parse_scenario(text)


def test_unreadable_files(tmp_path):
    with pytest.raises(
        FormatError, match=r"none\.toml: the scenario cannot be read \(No such file"
    ):
        read_scenario(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes('note = "Zündung"'.encode("latin-1"))
    with pytest.raises(FormatError, match=r"latin\.toml: is no text in UTF-8"):
        read_scenario(tmp_path / "latin.toml")
    path = tmp_path / "bad.toml"
    path.write_text("seed = = 3")
    with pytest.raises(FormatError, match="not valid TOML"):
        read_scenario(path)
    path.write_text("speed = 3")
    with pytest.raises(ParameterError, match=r"bad.toml: scenario: no field"):
        read_scenario(path)


def test_nested_too_deeply(tmp_path):
    path = tmp_path / "deep.toml"
    path.write_text("a = " + "[" * 20_000 + "]" * 20_000, encoding="utf-8")
    with pytest.raises(FormatError, match="nested too deeply"):
        read_scenario(path)
