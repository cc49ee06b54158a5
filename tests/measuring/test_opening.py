"""Opening whatever a command was given."""

from pathlib import Path

import h5py
import numpy as np
import pytest

from misfire.align.storewriter import write_store
from misfire.errors import FormatError, JobCardError
from misfire.measuring.opening import open_recording
from tests.builders.files import make_wav, write_job

CARD = {"role": "crank", "file": "a.wav", "column": 0}


def test_job_card_and_recording_give_the_same(tmp_path: Path) -> None:
    samples = np.arange(300, dtype="<i2").reshape(-1, 1)
    (tmp_path / "a.wav").write_bytes(make_wav(samples))
    raw = open_recording(write_job(tmp_path, CARD))
    write_store(raw, tmp_path / "rec.h5")
    stored = open_recording(tmp_path / "rec.h5")
    assert stored.channels == raw.channels
    assert stored.sha256 == raw.sha256 != ""
    assert np.array_equal(stored.read("crank", 0, 300), samples[:, 0])
    stored.close()
    assert open_recording(tmp_path / "job.toml", hash_source=False).sha256 == ""


@pytest.mark.parametrize("name", ["a.wav", "a.csv", "a.txt", "b.bin", "a.csv.gz", "a.npz"])
def test_raw_file_asks_for_a_job_card(name: str, tmp_path: Path) -> None:
    data = make_wav(np.zeros((5, 1), "<i2")) if name in ("a.wav", "b.bin") else b"t,a\n0,1\n"
    (tmp_path / name).write_bytes(data)
    with pytest.raises(FormatError, match=f"{name}: raw data need a job card; describe the file"):
        open_recording(tmp_path / name)


def test_other_things_given(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="no such file; give a job card"):
        open_recording(tmp_path / "nothing.toml")
    with pytest.raises(FormatError, match="is a folder; give the job card"):
        open_recording(tmp_path)
    (tmp_path / "job.toml").write_bytes(b"")
    with pytest.raises(JobCardError, match="is empty"):
        open_recording(tmp_path / "job.toml")
    with h5py.File(tmp_path / "raw.h5", "w") as file:
        file["in1"] = np.zeros(4)
    with pytest.raises(FormatError, match="describe it in a job card"):
        open_recording(tmp_path / "raw.h5")
    (tmp_path / "rec.h5").write_bytes((tmp_path / "raw.h5").read_bytes()[:600])
    with pytest.raises(FormatError, match=r"rec\.h5: is cut short"):
        open_recording(tmp_path / "rec.h5")


def test_card_may_be_allowed_to_leave_its_folder(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(make_wav(np.zeros((5, 1), "<i2")))
    (tmp_path / "cards").mkdir()
    job = write_job(tmp_path / "cards", CARD | {"file": "../a.wav"})
    with pytest.raises(JobCardError, match="leaves the folder"):
        open_recording(job)
    assert open_recording(job, allow_outside=True).channels[0].n_samples == 5


def test_a_link_beside_the_card_is_followed(tmp_path: Path) -> None:
    # whoever put the link there has the folder; only the card's own words are a stranger's
    (tmp_path / "far").mkdir()
    (tmp_path / "far" / "a.wav").write_bytes(make_wav(np.zeros((5, 1), "<i2")))
    (tmp_path / "cards").mkdir()
    job = write_job(tmp_path / "cards", CARD)
    try:
        (tmp_path / "cards" / "a.wav").symlink_to(tmp_path / "far" / "a.wav")
    except OSError:
        pytest.skip("this file system or user has no symbolic links")
    assert open_recording(job).channels[0].n_samples == 5
