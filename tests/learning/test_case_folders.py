"""Labelled cases on disk: made from a repair, found, refused, measured, kept."""

import datetime
import gzip
import json
import os
import shutil

import numpy as np
import pytest

from misfire.diagnosis.chain import ingest
from misfire.errors import FormatError, MisfireError, OutputError, ParameterError
from misfire.fitness.measured import Measured
from misfire.learning.casefolders import find_cases, measure_folder, read_case
from misfire.learning.casepool import measure_cases
from misfire.learning.casestore import load_case, save_case
from misfire.learning.confirming import confirm
from misfire.learning.judgedcase import judge_case
from misfire.simulate.recording import simulate
from misfire.simulate.scenario import FaultModel, Scenario
from misfire.simulate.writer import write_recording


@pytest.fixture(scope="module")
def simulated(tmp_path_factory):
    """Write a short recording of a cylinder without fuel, with job card and truth."""
    folder = tmp_path_factory.mktemp("simulated") / "one"
    fault = FaultModel(type="mixture", kind="no_fuel", cylinder=3, rate=0.2, pattern="random")
    write_recording(simulate(Scenario(seed=4, duration_s=6.0, fault=(fault,))), folder)
    return folder


@pytest.fixture(scope="module")
def store(simulated, tmp_path_factory):
    """Make a recording of it."""
    path = tmp_path_factory.mktemp("store") / "rec.h5"
    ingest(simulated / "job.toml", path)
    return path


@pytest.fixture
def case(simulated, tmp_path):
    """Copy the labelled folder, so that it may be spoilt."""
    shutil.copytree(simulated, tmp_path / "cases" / "one")
    return tmp_path / "cases" / "one"


def change_truth(case, **changes):
    truth = json.loads((case / "truth.json").read_text())
    (case / "truth.json").write_text(json.dumps(truth | changes))


class TestConfirm:
    def test_a_recording(self, store, tmp_path):
        made = confirm(
            store,
            tmp_path / "cases",
            faults={3: "mixture"},
            who="bay 2",
            when="2026-03-31",
            note="injector changed",
        )
        [case] = find_cases([tmp_path / "cases"])
        assert made["case"] == str(case.folder)
        assert case.truth["faulty"] == [{"cylinder": 3, "type": "mixture"}]
        assert case.truth["verdict"] == "misfire"
        assert case.truth["confirmed"] == {
            "who": "bay 2",
            "when": "2026-03-31",
            "note": "injector changed",
        }
        assert "events" not in case.truth
        assert case.source.read_bytes() == store.read_bytes()
        measured = measure_folder(case)
        assert measured.faulty == {3: "mixture"}
        assert measured.group == case.truth["vehicle"]
        assert not measured.known.any()
        assert not measured.healthy

    def test_a_job_card_becomes_a_recording(self, simulated, store, tmp_path):
        confirm(simulated / "job.toml", tmp_path / "cases", faults={3: "mixture"})
        confirm(store, tmp_path / "others", faults={3: "mixture"})
        [from_card], [from_store] = (
            find_cases([tmp_path / "cases"]),
            find_cases([tmp_path / "others"]),
        )
        a, b = measure_folder(from_card), measure_folder(from_store)
        assert a.table.equals(b.table)
        assert from_card.truth["confirmed"]["when"] == datetime.date.today().isoformat()

    def test_healthy(self, store, tmp_path):
        confirm(store, tmp_path, faults={})
        [case] = find_cases([tmp_path])
        assert (case.truth["verdict"], case.truth["healthy"]) == ("no_misfire", True)
        measured = measure_folder(case)
        assert (measured.faulty, measured.healthy, measured.crank_fault) == ({}, True, False)
        assert measured.known.all()  # a sound vehicle lost no combustion
        assert not measured.lost.any()

    def test_crank_sensor(self, store, tmp_path):
        confirm(store, tmp_path, faults={}, crank_fault=True)
        [case] = find_cases([tmp_path])
        measured = measure_folder(case)
        assert (measured.faulty, measured.healthy, measured.crank_fault) == ({}, False, True)
        assert not measured.known.any()

    def test_by_reference(self, store, tmp_path):
        confirm(store, tmp_path / "cases", faults={3: "mixture"}, by_reference=True)
        [case] = find_cases([tmp_path / "cases"])
        assert [p.name for p in case.folder.iterdir()] == ["truth.json"]
        assert case.source == store.resolve()
        assert measure_folder(case).faulty == {3: "mixture"}

    def test_reference_to_what_is_gone(self, store, tmp_path):
        moved = tmp_path / "rec.h5"
        shutil.copyfile(store, moved)
        confirm(moved, tmp_path / "cases", faults={3: "mixture"}, by_reference=True)
        moved.unlink()
        with pytest.raises(FormatError, match="is not there; put it back"):
            find_cases([tmp_path / "cases"])

    def test_reference_to_another_recording(self, store, tmp_path):
        moved = tmp_path / "rec.h5"
        shutil.copyfile(store, moved)
        confirm(moved, tmp_path / "cases", faults={3: "mixture"}, by_reference=True)
        write_recording(simulate(Scenario(seed=5, duration_s=2.0)), tmp_path / "new")
        moved.unlink()
        ingest(tmp_path / "new" / "job.toml", moved)
        with pytest.raises(FormatError, match="is not the recording that was confirmed"):
            measure_folder(find_cases([tmp_path / "cases"])[0])

    def test_never_over_an_existing_case(self, store, tmp_path):
        confirm(store, tmp_path, faults={3: "mixture"})
        before = {p: p.read_bytes() for p in tmp_path.rglob("truth.json")}
        with pytest.raises(OutputError, match="confirmed already; delete that folder"):
            confirm(store, tmp_path, faults={2: "weak_coil"})
        assert {p: p.read_bytes() for p in tmp_path.rglob("truth.json")} == before

    @pytest.mark.parametrize("cylinder", [0, -1, 5])
    def test_cylinder_the_engine_has_not(self, store, tmp_path, cylinder):
        with pytest.raises(ParameterError, match=f"has cylinders 1 to 4, not {cylinder}"):
            confirm(store, tmp_path / "cases", faults={cylinder: "mixture"})
        assert not (tmp_path / "cases").exists()

    @pytest.mark.parametrize("kind", ["gremlins", "crank_signal"])
    def test_fault_that_no_cylinder_has(self, store, tmp_path, kind):
        with pytest.raises(ParameterError, match="is none of a cylinder"):
            confirm(store, tmp_path, faults={1: kind})

    @pytest.mark.parametrize("when", ["yesterday", "31.03.2026", "2026-02-30"])
    def test_date_that_is_none(self, store, tmp_path, when):
        with pytest.raises(ParameterError, match="need a date like"):
            confirm(store, tmp_path, faults={1: "mixture"}, when=when)

    def test_raw_files_by_reference(self, simulated, tmp_path):
        with pytest.raises(ParameterError, match="only a recording can be referred to"):
            confirm(simulated / "job.toml", tmp_path, faults={3: "mixture"}, by_reference=True)

    def test_no_recording(self, tmp_path):
        with pytest.raises(FormatError, match="no such file"):
            confirm(tmp_path / "none.h5", tmp_path, faults={1: "mixture"})

    def test_nothing_is_left_of_a_failed_write(self, store, tmp_path, monkeypatch):
        def refuse(*_):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(shutil, "copyfile", refuse)
        with pytest.raises(OutputError, match="cannot be written"):
            confirm(store, tmp_path, faults={1: "mixture"})
        assert list(tmp_path.iterdir()) == []


class TestFinding:
    def test_at_any_depth_and_once(self, case):
        (case.parent / "deep" / "er").mkdir(parents=True)
        shutil.copytree(case, case.parent / "deep" / "er" / "two")
        found = find_cases([case.parent, case, case.parent / "deep"])
        assert [c.folder.name for c in found] == ["two", "one"]

    def test_half_written_cases_are_left_out(self, case):
        shutil.copytree(case, case.parent / ".two-x.part" / "two")
        assert [c.folder.name for c in find_cases([case.parent])] == ["one"]

    def test_compressed_truth(self, case):
        data = (case / "truth.json").read_bytes()
        (case / "truth.json").unlink()
        (case / "truth.json.gz").write_bytes(gzip.compress(data))
        assert read_case(case).truth == json.loads(data)

    @pytest.mark.parametrize("name", ["none", "one/job.toml"])
    def test_no_folder(self, case, name):
        with pytest.raises(FormatError, match="no such folder"):
            find_cases([case.parent / name])

    def test_no_case_in_it(self, tmp_path):
        with pytest.raises(FormatError, match="no labelled case in it"):
            find_cases([tmp_path])

    @pytest.mark.parametrize(
        ("changes", "message"),
        [
            ({"verdict": "maybe"}, "verdict must be one of"),
            ({"faulty": 3}, "faulty must be a list"),
            ({"faulty": ["mixture"]}, "fault's type"),
            ({"faulty": [{"cylinder": 1, "type": "gremlins"}]}, "fault's type"),
            ({"faulty": [{"cylinder": "one", "type": "mixture"}]}, "fault's cylinder"),
            ({"faulty": [{"cylinder": True, "type": "mixture"}]}, "fault's cylinder"),
            ({"faulty": [{"type": "mixture"}]}, "fault's cylinder"),
            ({"events": [1]}, "events needs equally long lists"),
            ({"events": {"time_s": [1.0]}}, "events needs equally long lists"),
            (
                {"events": {"time_s": [1.0], "cylinder": [], "misfire": [], "partial": []}},
                "events needs equally long lists",
            ),
            ({"recording": "rec.h5"}, "must have a `file`"),
        ],
    )
    def test_truth_that_is_none(self, case, changes, message):
        change_truth(case, **changes)
        with pytest.raises(FormatError, match=message):
            find_cases([case.parent])

    @pytest.mark.parametrize("text", ["", "{", "[1, 2]", "[" * 100_000], ids=range(4))
    def test_truth_that_is_no_json_object(self, case, text):
        (case / "truth.json").write_text(text)
        with pytest.raises(FormatError, match=r"one: no readable truth\.json"):
            find_cases([case.parent])

    def test_no_recording_beside_the_truth(self, case):
        (case / "job.toml").unlink()
        (case / "capture.wav").unlink()
        with pytest.raises(FormatError, match="has 0"):
            find_cases([case.parent])

    def test_two_recordings_beside_the_truth(self, case, store):
        (case / "job.toml").unlink()
        shutil.copyfile(store, case / "a.h5")
        shutil.copyfile(store, case / "b.hdf5")
        with pytest.raises(FormatError, match="has 2"):
            find_cases([case.parent])

    def test_cylinder_the_engine_has_not(self, case):
        change_truth(case, faulty=[{"cylinder": 7, "type": "mixture"}])
        with pytest.raises(FormatError, match="names cylinder 7, the engine has 4"):
            measure_folder(read_case(case))


class TestMeasuring:
    def test_two_processes_as_one(self, case, store):
        shutil.copytree(case, case.parent / "broken")
        (case.parent / "broken" / "capture.wav").write_bytes(b"no wav")
        confirm(store, case.parent, faults={3: "mixture"})
        seen = []
        tasks = find_cases([case.parent])
        one, failed = measure_cases(tasks, progress=lambda *step: seen.append(step))
        before = dict(os.environ)
        two, failed_too = measure_cases(tasks, workers=2)
        assert dict(os.environ) == before  # a caller's other processes are none of ours
        assert failed == failed_too
        assert len(failed) == 1
        assert "broken" in failed[0]
        assert [c.group for c in one] == [c.group for c in two]
        assert len(one) == 2
        for a, b in zip(one, two, strict=True):
            assert a.table.equals(b.table)
            assert (a.lost == b.lost).all()
        assert seen[0][1] == 0
        assert seen[-1] == ("measuring cases", 1.0)

    def test_truth_is_laid_beside_the_firings(self, case):
        [measured], _ = measure_cases(find_cases([case.parent]))
        truth = json.loads((case / "truth.json").read_text())
        inside = measured.known.mean()
        assert inside > 0.9
        # every lost firing of the truth but those at the edges finds its row
        assert sum(truth["events"]["misfire"]) - 2 <= measured.lost.sum()
        assert measured.lost.sum() <= sum(truth["events"]["misfire"])
        assert set(measured.cylinder[measured.lost]) == {3}

    def test_a_worker_that_dies(self, case, monkeypatch):
        from concurrent.futures.process import BrokenProcessPool

        from misfire.learning import casepool

        class Dead:
            def __init__(self, *_, **__): ...
            def __enter__(self):
                return self

            def __exit__(self, *_): ...
            def map(self, *_):
                raise BrokenProcessPool("killed")

        monkeypatch.setattr(casepool, "ProcessPoolExecutor", Dead)
        with pytest.raises(MisfireError, match="worker process was ended from outside"):
            measure_cases(find_cases([case.parent]) * 2, workers=2)


class TestCache:
    def test_round_trip(self, case, tmp_path):
        measured = measure_folder(read_case(case))
        save_case(measured, tmp_path / "kept" / "one.npz")
        again = load_case(tmp_path / "kept" / "one.npz")
        for name in ("group", "faulty", "crank_fault", "resolved", "witnesses", "condition"):
            assert getattr(again, name) == getattr(measured, name)
        assert (again.mates, again.healthy) == (measured.mates, measured.healthy)
        assert again.table.equals(measured.table)
        for name in ("cylinder", "lost", "known", "disturbed"):
            assert (getattr(again, name) == getattr(measured, name)).all()
            assert getattr(again, name).dtype == getattr(measured, name).dtype
        assert [p.name for p in (tmp_path / "kept").iterdir()] == ["one.npz"]

    def test_what_is_kept_is_judged_alike(self, case, tmp_path):
        measured = measure_folder(read_case(case))
        save_case(measured, tmp_path / "one.npz")
        again = load_case(tmp_path / "one.npz")
        one, other = (judge_case(c, None) for c in (measured, again))
        assert (one.faulty.tolist(), one.verdict) == (other.faulty.tolist(), other.verdict)
        assert one.faults.tolist() == other.faults.tolist()
        assert isinstance(again.measured, Measured)
        assert again.measured.evidence.firing_table is again.table  # once on disk, once in memory
        with pytest.raises(FormatError, match="are not kept"):
            again.measured.evidence.recording.read("any", 0, 1)
        again.measured.evidence.recording.close()

    def test_only_what_belongs_to_a_case_is_made(self, case, tmp_path):
        path = tmp_path / "one.npz"
        for tree in (
            {"record": "Popen", "of": {"args": "true"}},
            {"set": []},
            {"record": "LabelledCase", "of": {}},
            {"array": 7},
            [],
        ):
            with path.open("wb") as file:
                np.savez(file, tree=np.frombuffer(json.dumps(tree).encode(), np.uint8))
            with pytest.raises(FormatError, match="damaged|another version"):
                load_case(path)

    def test_a_simulated_vehicle_is_not_measured_again(self, case, tmp_path, monkeypatch):
        save_case(measure_folder(read_case(case)), tmp_path / "77.npz")
        monkeypatch.setattr("misfire.learning.casepool.simulate_case", pytest.fail)
        [kept], _ = measure_cases([77], cache=tmp_path)
        assert kept.faulty == {3: "mixture"}

    @pytest.mark.parametrize("data", [b"", b"PK\x03\x04", b"text"])
    def test_damaged(self, tmp_path, data):
        (tmp_path / "1.npz").write_bytes(data)
        with pytest.raises(FormatError, match=r"1\.npz: damaged"):
            load_case(tmp_path / "1.npz")

    def test_other_columns(self, case, tmp_path, monkeypatch):
        save_case(measure_folder(read_case(case)), tmp_path / "1.npz")
        monkeypatch.setattr("misfire.learning.casestore.FIRING_COLUMNS", ("speed_of_dark",))
        with pytest.raises(FormatError, match="measured by another version"):
            load_case(tmp_path / "1.npz")

    def test_objects_are_refused(self, tmp_path):
        np.savez(tmp_path / "1.npz", table=np.array([{}], dtype=object))
        with pytest.raises(FormatError, match="damaged"):
            load_case(tmp_path / "1.npz")

    def test_cannot_be_written(self, case, tmp_path):
        (tmp_path / "file").write_text("x")
        with pytest.raises(OutputError, match="cannot be written"):
            save_case(measure_folder(read_case(case)), tmp_path / "file" / "1.npz")
