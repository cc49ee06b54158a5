"""The functions give records with names, and the documents that the commands print."""

import json
import shutil
from dataclasses import fields, is_dataclass

import pytest
from typer.testing import CliRunner

import misfire
from misfire import api
from misfire.cli.app import app
from misfire.simulate.recording import simulate
from misfire.simulate.scenario import ChannelModel, FaultModel, Scenario
from misfire.simulate.scenario_file import format_scenario
from misfire.simulate.writer import write_recording


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A short recording of a lead that is open now and then."""
    place = tmp_path_factory.mktemp("api")
    channels = (
        ChannelModel(role="coil_primary", cylinders=(2,), range=500.0),
        ChannelModel(role="crank", range=100.0),
    )
    fault = FaultModel(type="open_secondary", kind="lead", cylinder=2, rate=0.3)
    scenario = Scenario(seed=8, duration_s=12.0, channel=channels, fault=(fault,))
    write_recording(simulate(scenario), place)
    (place / "scenario.toml").write_text(format_scenario(scenario), encoding="utf-8")
    return place


def print_json(*words):
    """Give the document that a command prints."""
    result = CliRunner().invoke(app, [*map(str, words), "--json", "--quiet"])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def as_json(record):
    return json.loads(json.dumps(record.to_dict()))


def test_diagnose(folder):
    found = misfire.diagnose(folder / "job.toml", out=folder / "result")
    assert isinstance(found, misfire.Diagnosis)
    first = found.cylinders[0]
    assert first.cylinder == 2
    assert first.faults[0].type == "open_secondary"
    assert first.faults[0].probability == max(f.probability for f in first.faults)
    printed = print_json("diagnose", folder / "job.toml", "-o", folder / "result")
    assert as_json(found) == printed
    written = json.loads((folder / "result" / "result.json").read_text(encoding="utf-8"))
    assert {k: v for k, v in as_json(found).items() if k != "files"} == written


def test_check(folder):
    found = misfire.check(folder / "job.toml", one_in=1000)
    assert as_json(found) == print_json("check", folder / "job.toml", "--one-in", 1000)
    assert found.fit
    short = next(r for r in found.quality if r.code == "too_short")
    assert short.remedy
    assert found.shows_faults_of_one_in < 1000


def test_compare(folder):
    found = misfire.compare(folder / "job.toml", folder / "job.toml", out=folder / "compared")
    assert as_json(found) == print_json("compare", folder / "job.toml", folder / "job.toml")
    second = next(c for c in found.cylinders if c.cylinder == 2)
    assert second.lost_before == second.lost_after > 0
    assert (folder / "compared" / "compare.html").exists()


def test_screen(folder):
    source, out = folder / "fleet", folder / "screened"
    source.mkdir()
    for path in folder.iterdir():
        if path.suffix in (".wav", ".h5") or path.name == "job.toml":
            shutil.copyfile(path, source / path.name)
    found = misfire.screen(source, out)
    printed = print_json("screen", source, "-o", out)
    assert as_json(found) | {"run": None} == printed | {"run": None}
    assert as_json(found)["schema"] == "misfire-fleet/1"
    assert found.fleet == json.loads((out / "fleet.json").read_text(encoding="utf-8"))
    assert [v.rank for v in found.vehicles] == [1]
    assert found.vehicles[0].verdict == "misfire"
    assert found.complete
    assert found.failed == ()


def test_simulate_and_confirm(folder, tmp_path):
    made = misfire.simulate(folder / "scenario.toml", tmp_path / "made")
    assert as_json(made) == print_json(
        "simulate", folder / "scenario.toml", "-o", tmp_path / "made"
    )
    assert made.truth.exists()
    case = misfire.confirm(made.job, tmp_path / "cases", faults={2: "open_secondary"}, who="me")
    assert not case.healthy
    assert as_json(case)["truth"]["faulty"] == [{"cylinder": 2, "type": "open_secondary"}]
    assert (case.case / "truth.json").exists()


def test_what_is_learned(folder, tmp_path):
    job, mine, theirs = folder / "job.toml", tmp_path / "mine", tmp_path / "theirs"
    case = misfire.confirm(job, mine, faults={2: "open_secondary"})
    fault = ("--cylinder", 2, "--fault", "open_secondary")
    printed = print_json("confirm", job, *fault, "-o", theirs)
    assert as_json(case) | {"case": ""} == printed | {"case": ""}
    scores = misfire.evaluate("shipped", [mine])
    assert as_json(scores) == print_json("evaluate", "shipped", mine)
    model = misfire.train([mine], tmp_path / "model")
    printed = print_json("train", mine, "-o", tmp_path / "model")
    assert as_json(model) == printed
    assert model.figures["brier"].value == printed["held_out"]["figures"]["brier"]["value"]


def test_hookup(tmp_path):
    wish = misfire.HookupWish(inputs=3)
    plan = misfire.hookup(tmp_path / "plan", cylinders=4, ignition="wasted_spark", wish=wish)
    command = ("hookup", "--cylinders", 4, "--ignition", "wasted_spark", "--inputs", 3)
    assert as_json(plan) == print_json(*command, "-o", tmp_path / "plan")
    assert plan.card_written
    assert len(plan.leads) == 3
    for wrong in ({}, {"cylinders": 4, "job": plan.job}):
        with pytest.raises(misfire.MisfireError, match="either"):
            misfire.hookup(tmp_path, **wrong)


def test_a_document_is_given_away_whole(folder):
    found = misfire.check(folder / "job.toml")
    found.to_dict()["quality"].clear()
    assert found.to_dict()["quality"] == [
        {f.name: getattr(r, f.name) for f in fields(r)} for r in found.quality
    ]


def test_every_record_is_public():
    records = {
        name
        for name, value in vars(api).items()
        if is_dataclass(value) and hasattr(value, "to_dict") and value.__module__ == api.__name__
    }
    assert records - {"Document"} <= set(misfire.__all__)
