"""What a vehicle is in plain numbers, against the scenario it was simulated from."""

import contextlib
import dataclasses
import math

import numpy as np
import pytest

from misfire.classify.familiarity import learn_familiar
from misfire.diagnosis.chain import conclude, find_unlike
from misfire.fitness.descriptors import DESCRIPTORS, describe_vehicle
from misfire.fitness.measured import measure_whole
from misfire.measuring.opening import open_recording
from misfire.simulate.recording import simulate
from misfire.simulate.scenario import ChannelModel, EngineModel, Scenario
from misfire.simulate.writer import write_recording
from tests.builders.models import make_model

CHANNELS = (
    ChannelModel(role="coil_primary", cylinders=(3,), range=500.0),
    ChannelModel(role="crank", range=100.0),
)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Measure four seconds of a four-cylinder engine with one coil watched."""
    scenario = Scenario(seed=3, duration_s=4.0, channel=CHANNELS, engine=EngineModel())
    job = write_recording(simulate(scenario), tmp_path_factory.mktemp("one"))
    with contextlib.closing(open_recording(job, hash_source=False)) as recording:
        return measure_whole(recording)


def make_familiar(values, *, width):
    """Make a training of vehicles about some values."""
    rng = np.random.default_rng(1)
    around = np.nan_to_num(values) + width * rng.normal(size=(60, values.size))
    return learn_familiar(DESCRIPTORS, around, [f"v{i}" for i in range(60)])


def test_descriptors_are_those_of_the_scenario(measured):
    found = dict(zip(DESCRIPTORS, describe_vehicle(measured.evidence), strict=True))
    assert found["cylinders_log"] == pytest.approx(math.log(4))
    assert found["watched_share"] == pytest.approx(0.25)
    assert found["teeth_log"] == pytest.approx(math.log(60))
    assert found["duration_log"] == pytest.approx(math.log(4.0), abs=0.05)
    assert found["rpm_log"] == pytest.approx(math.log(800.0), abs=0.1)  # idles
    there = {name for name, value in found.items() if name.startswith("channel_") and value}
    assert there == {"channel_coil_primary", "channel_crank"}
    assert [found[f"ignition_{k}"] for k in ("coil_on_plug", "wasted_spark")] == [1.0, 0.0]
    assert math.isnan(found["current_log"])  # no current was recorded


def test_a_vehicle_unlike_all_of_the_training_is_told(measured):
    values = describe_vehicle(measured.evidence)
    model = dataclasses.replace(make_model().model, familiar=make_familiar(values, width=0.5))
    assert find_unlike(measured.evidence, model) == []
    apart = np.where(np.array(DESCRIPTORS) == "cylinders_log", values + 20.0, values)
    model = dataclasses.replace(model, familiar=make_familiar(apart, width=0.5))
    [finding] = find_unlike(measured.evidence, model)
    assert finding.code == "unlike_training"
    assert "no vehicle like this was in training" in finding.message
    assert "most in cylinders_log" in finding.message
    assert finding in conclude(measured, model=model).findings


def test_without_a_training_nothing_is_said(measured):
    model = make_model().model
    assert find_unlike(measured.evidence, None) == find_unlike(measured.evidence, model) == []
    values = describe_vehicle(measured.evidence)
    other = dataclasses.replace(
        make_familiar(values + 20.0, width=0.5), names=("another",) * len(DESCRIPTORS)
    )
    assert find_unlike(measured.evidence, dataclasses.replace(model, familiar=other)) == []
