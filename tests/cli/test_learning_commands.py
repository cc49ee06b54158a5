"""The commands that learn: confirm, evaluate, train; what they print, write and refuse."""

import contextlib
import json

import pytest

from misfire.classify.bundle import load_bundle
from misfire.cli.confirm import FaultType
from misfire.learning import runs as learning
from misfire.learning.casefile import open_cases
from misfire.learning.fitting import fit_model
from misfire.learning.runs import write_model
from misfire.learning.scores import BETTER
from misfire.records import FAULT_TYPES
from misfire.simulate.recording import simulate
from misfire.simulate.scenario import FaultModel, Scenario
from misfire.simulate.writer import write_recording
from tests.builders.models import make_cases


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    """Write a short recording of a cylinder without fuel."""
    fault = FaultModel(type="mixture", kind="no_fuel", cylinder=3, rate=0.2, pattern="random")
    scenario = Scenario(seed=4, duration_s=6.0, fault=(fault,), vehicle="van-017")
    return write_recording(simulate(scenario), tmp_path_factory.mktemp("job"))


def assert_one_line(status, out, err, *words):
    """Check that a command refused its input with one clear line and nothing else."""
    assert status == 1
    assert out == ""
    assert err.startswith("misfire: ")
    assert err.count("\n") == 1
    assert "fault in the program" not in err
    for word in words:
        assert word in err


class TestConfirm:
    def test_case_then_evaluate(self, run, job, tmp_path):
        cases = tmp_path / "cases"
        said = ["--cylinder", 3, "--fault", "mixture", "--who", "bay 2", "--when", "2026-03-31"]
        status, out, err = run("confirm", job, *said, "--note", "injector", "-o", cases)
        assert (status, err) == (0, "")
        [case] = cases.iterdir()
        assert out == f"wrote {case}\n"
        assert sorted(p.name for p in case.iterdir()) == ["recording.h5", "truth.json"]
        truth = json.loads((case / "truth.json").read_text())
        assert truth["faulty"] == [{"cylinder": 3, "type": "mixture"}]

        assert_one_line(*run("confirm", job, *said, "-o", cases), "confirmed already")

        status, out, err = run("evaluate", "physics", cases, "-o", tmp_path / "scores")
        assert status == 0
        lines = [line.split("\t") for line in out.splitlines()]
        assert lines[0][:4] == ["figure", "value", "low", "high"]
        assert [line[0] for line in lines[1:]] == list(BETTER)
        assert lines[1][:2] == ["top1_cylinder", "1.0000"]
        assert "wrote" in err
        assert (tmp_path / "scores" / "metrics.json").is_file()

    def test_a_case_that_travels(self, run, job, tmp_path):
        file = tmp_path / "one.case"
        said = ["--cylinder", 3, "--fault", "mixture", "--bundle", file]
        status, out, err = run("confirm", job, *said)
        assert (status, out, err) == (0, f"wrote {file}\n", "")
        status, out, err = run("evaluate", "physics", file, "--json", "--quiet")
        assert (status, json.loads(out)["recordings"]) == (0, 1)

    def test_a_place_is_needed(self, run, job):
        assert run("confirm", job, "--healthy")[0] == 2

    def test_json(self, run, job, tmp_path):
        status, out, _ = run("confirm", job, "--healthy", "-o", tmp_path, "--json")
        document = json.loads(out)
        assert (status, document["schema"]) == (0, "misfire-confirm/1")
        assert document["truth"]["healthy"] is True
        status, out, err = run("evaluate", "physics", tmp_path, "--json", "--quiet")
        document = json.loads(out)
        assert (status, err) == (0, "")
        assert document["schema"] == "misfire-evaluate/1"
        assert document["figures"]["healthy_accused"]["vehicles"] == 1

    def test_crank_sensor_without_a_cylinder(self, run, job, tmp_path):
        status, out, _ = run("confirm", job, "--fault", "crank_signal", "-o", tmp_path, "--json")
        assert status == 0
        assert json.loads(out)["truth"]["verdict"] == "no_misfire"

    def test_two_cylinders(self, run, job, tmp_path):
        said = ["--cylinder", "1", "--fault", "weak_coil", "--cylinder", "3", "--fault", "mixture"]
        status, out, _ = run("confirm", job, *said, "-o", tmp_path, "--json")
        assert status == 0
        assert json.loads(out)["truth"]["faulty"] == [
            {"cylinder": 1, "type": "weak_coil"},
            {"cylinder": 3, "type": "mixture"},
        ]

    @pytest.mark.parametrize(
        "said",
        [
            "",
            "--cylinder 3",
            "--fault mixture",
            "--healthy --cylinder 3 --fault mixture",
            "--cylinder 3 --fault gremlins",
            "--cylinder 3 --fault crank_signal",
            "--cylinder 3 --fault mixture --cylinder 3 --fault weak_coil",
            "--cylinder three --fault mixture",
        ],
    )
    def test_wrong_usage(self, run, job, tmp_path, said):
        status, out, err = run("confirm", job, *said.split(), "-o", tmp_path / "cases")
        assert (status, out) == (2, "")
        assert "Usage" in err
        assert not (tmp_path / "cases").exists()

    def test_cylinder_the_engine_has_not(self, run, job, tmp_path):
        got = run("confirm", job, "--cylinder", 9, "--fault", "mixture", "-o", tmp_path / "cases")
        assert_one_line(*got, "van-017", "cylinders 1 to 4")
        assert not (tmp_path / "cases").exists()

    def test_wrong_date(self, run, job, tmp_path):
        got = run("confirm", job, "--healthy", "--when", "today", "-o", tmp_path)
        assert_one_line(*got, "2026-03-31")

    def test_fault_types_are_the_contracts(self):
        assert tuple(FaultType) == FAULT_TYPES


class TestEvaluate:
    def test_no_cases(self, run, tmp_path):
        assert_one_line(*run("evaluate", "physics", tmp_path), str(tmp_path), "misfire confirm")

    def test_no_model(self, run, tmp_path):
        assert_one_line(*run("evaluate", tmp_path / "none", tmp_path), "no such folder")
        assert_one_line(*run("evaluate", tmp_path, tmp_path), "manifest")

    @pytest.mark.parametrize("said", ["", "physics", "physics cases --workers 0"])
    def test_wrong_usage(self, run, said):
        assert run("evaluate", *said.split())[0] == 2


class TestTrain:
    @pytest.fixture
    def pool(self, monkeypatch, tmp_path):
        """Give cases from memory in place of files, and a model as the shipped one."""
        shipped = tmp_path / "shipped"
        write_model(fit_model(make_cases(20, first=100)), shipped, card="")
        cases = make_cases(12, n_cycles=20, events=False)

        def measure(tasks, **kinds):
            return (cases, ["van-9: no crank signal"])

        @contextlib.contextmanager
        def find(places):
            yield [*places]

        monkeypatch.setattr(learning, "measure_cases", measure)
        monkeypatch.setattr(learning, "open_cases", find)
        monkeypatch.setattr(learning, "load_shipped", lambda: load_bundle(shipped))
        monkeypatch.setattr(learning, "find_shipped", lambda: shipped)

    def test_trained_model_can_be_evaluated(self, run, pool, job, tmp_path):
        model = tmp_path / "model"
        status, out, err = run("train", tmp_path, "-o", model, "--curve")
        assert status == 0
        assert out.splitlines()[0] == "figure\tvalue\tlow\thigh\tvehicles"
        named = [line.split("\t")[0] for line in out.splitlines()[1:]]
        assert named[: len(BETTER)] == list(BETTER)
        assert named[len(BETTER) :][:2] == ["cases", "0"]
        assert "misfire: van-9: no crank signal\n" in err
        assert "misfire: on held-out vehicles: " in err
        assert err.endswith(f"misfire: wrote {model}\n")
        assert (model / "card.md").read_text().startswith("# Model card")
        assert (model / "curve.svg").is_file()

        run("confirm", job, "--cylinder", 3, "--fault", "mixture", "-o", tmp_path / "cases")
        status, out, err = run("evaluate", model, tmp_path / "cases", "--json")
        assert (status, json.loads(out)["model"]) == (0, str(model))
        assert json.loads(out)["comparison"]

    def test_json(self, run, pool, tmp_path):
        status, out, err = run("train", tmp_path, "-o", tmp_path / "model", "--json")
        assert (status, err) == (0, "")
        document = json.loads(out)
        assert document["schema"] == "misfire-train/2"
        assert document["worse"] in (True, False)
        assert document["curve"] is None

    def test_never_over_another_folder(self, run, tmp_path):
        (tmp_path / "photos").mkdir()
        assert_one_line(*run("train", tmp_path, "-o", tmp_path / "photos"), "no model bundle")

    def test_no_cases(self, run, pool, tmp_path, monkeypatch):
        monkeypatch.setattr(learning, "open_cases", open_cases)
        assert_one_line(*run("train", tmp_path / "none", "-o", tmp_path / "m"), "no such folder")

    @pytest.mark.parametrize("said", ["", "cases", "-o m", "cases -o m --seed -1"])
    def test_wrong_usage(self, run, said):
        assert run("train", *said.split())[0] == 2
