"""A case as one file: what it holds, what it leaves out, and what is refused."""

import json
import zipfile

import pytest

from misfire.align.store import open_store
from misfire.errors import FormatError, MisfireError, OutputError
from misfire.learning.casefile import TRUTH, hide_name, open_cases, unpack_case
from misfire.learning.casefolders import RECORDING, measure_folder
from misfire.learning.confirming import confirm
from misfire.learning.judgedcase import judge_case
from misfire.simulate.recording import simulate
from misfire.simulate.scenario import FaultModel, Scenario
from misfire.simulate.writer import write_recording

OWNER = "B-MK 4711"


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    """Write a recording whose card, file and channel speak of its owner."""
    fault = FaultModel(type="mixture", kind="no_fuel", cylinder=3, rate=0.3)
    folder = tmp_path_factory.mktemp("job")
    scenario = Scenario(seed=4, duration_s=6.0, fault=(fault,), vehicle=OWNER, note="of M. Krause")
    path = write_recording(simulate(scenario), folder)
    text = path.read_text().replace("capture.wav", "krause-golf.wav")
    path.write_text("# the golf of M. Krause\n" + text)
    (folder / "capture.wav").rename(folder / "krause-golf.wav")
    return path


@pytest.fixture(scope="module")
def made(job, tmp_path_factory):
    """Confirm it into one file."""
    path = tmp_path_factory.mktemp("made") / "one.case"
    told = confirm(
        job, None, faults={3: "mixture"}, who="M. Krause", note="injector of Krause", bundle=path
    )
    assert told["case"] is None
    return path


def rewrite(made, path, members):
    """Copy a case file with members changed, added or (None) left out."""
    with zipfile.ZipFile(made) as archive:
        held = {name: archive.read(name) for name in archive.namelist()} | members
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in held.items():
            if data is not None:
                archive.writestr(name, data)
    return path


class TestWhatItHolds:
    def test_it_is_judged_as_the_recording_it_was_made_of(self, job, made, tmp_path):
        """Nothing that is left out bears on a number."""
        confirm(job, tmp_path / "cases", faults={3: "mixture"})
        with open_cases([tmp_path / "cases", made]) as cases:
            one, other = (measure_folder(case) for case in cases)
        assert one.faulty == other.faulty == {3: "mixture"}
        assert (one.group, other.group) == (OWNER, hide_name(OWNER))
        assert one.table.equals(other.table)
        said, again = (judge_case(c, None) for c in (one, other))
        assert said.faulty.tolist() == again.faulty.tolist()
        assert said.faults.tolist() == again.faults.tolist()

    def test_nobody_is_named(self, made, tmp_path):
        data = made.read_bytes()
        for word in (b"Krause", b"krause", b"4711", b"golf"):
            assert word not in data
        case = unpack_case(made, tmp_path)
        store = open_store(tmp_path / RECORDING)
        try:
            assert store.job.note == ""
            assert store.job.vehicle_id == case.truth["vehicle"] == hide_name(OWNER)
            assert {card.file for card in store.job.channels} == {RECORDING}
        finally:
            store.close()
        assert set(case.truth["confirmed"]) == {"when"}

    def test_the_note_stays_where_asked(self, job, tmp_path):
        path = tmp_path / "one.case"
        confirm(job, None, faults={3: "mixture"}, note="injector", bundle=path, with_note=True)
        with zipfile.ZipFile(path) as archive:
            assert json.loads(archive.read(TRUTH))["confirmed"]["note"] == "injector"

    def test_the_same_case_gives_the_same_bytes(self, job, made, tmp_path):
        path = tmp_path / "again.case"
        confirm(job, None, faults={3: "mixture"}, bundle=path)
        assert path.read_bytes() == made.read_bytes()

    def test_what_was_unpacked_goes(self, made):
        with open_cases([made]) as cases:
            folder = cases[0].folder
            assert folder.is_dir()
        assert not folder.exists()


class TestRefusals:
    @pytest.mark.parametrize(
        ("members", "message"),
        [
            ({RECORDING: None}, "it must hold truth.json and recording.h5, nothing else"),
            ({"../evil.py": b"x"}, "nothing else"),
            ({"run.py": b"x"}, "nothing else"),
            ({TRUTH: b"{"}, "no readable truth.json"),
            ({TRUTH: b'{"verdict": "guilty", "faulty": []}'}, "verdict must be one of"),
            (
                {
                    TRUTH: b'{"verdict": "misfire", "faulty": [], '
                    b'"recording": {"file": "/etc/hosts"}}'
                },
                "names another recording than its own",
            ),
            ({TRUTH: b'{"verdict": "misfire", "faulty": []}'}, "names another recording"),
            ({TRUTH: b" " * (2 << 20)}, "truth.json is too large for a case"),
        ],
    )
    def test_members(self, made, tmp_path, members, message):
        path = rewrite(made, tmp_path / "bad.case", members)
        (tmp_path / "inside").mkdir()
        with pytest.raises(FormatError, match=message):
            unpack_case(path, tmp_path / "inside")
        assert not (tmp_path / "evil.py").exists()

    def test_a_member_that_unpacks_to_more_than_it_is(self, tmp_path):
        path = tmp_path / "bomb.case"
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(TRUTH, b"{}")
            archive.writestr(RECORDING, b"\0" * (1 << 22))
        with pytest.raises(FormatError, match="is packed"):
            unpack_case(path, tmp_path)

    @pytest.mark.parametrize("data", [b"", b"PK\x05\x06", b"text"])
    def test_no_archive(self, tmp_path, data):
        (tmp_path / "a.case").write_bytes(data)
        with pytest.raises(FormatError, match=r"a\.case: no case file"):
            unpack_case(tmp_path / "a.case", tmp_path)

    def test_a_recording_that_is_none_is_told(self, made, tmp_path):
        path = rewrite(made, tmp_path / "bad.case", {RECORDING: b"no recording"})
        with open_cases([path]) as [case], pytest.raises(MisfireError):
            measure_folder(case)

    def test_cannot_be_written(self, job, tmp_path):
        (tmp_path / "file").write_text("x")
        with pytest.raises(OutputError, match="cannot be written"):
            confirm(job, None, faults={3: "mixture"}, bundle=tmp_path / "file" / "one.case")
