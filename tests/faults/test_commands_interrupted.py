"""Faults injected while outputs are written: nothing half-written stands under its final name."""

import errno
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from misfire.align.storewriter import CODINGS, write_store
from misfire.diagnosis.chain import ingest
from misfire.errors import MisfireError, OutputError
from misfire.ingest.reading import open_raw
from misfire.report.diagnosis.files import NAMES, write_reports
from tests.builders import files
from tests.builders.diagnoses import make_diagnosis

ROOT = Path(__file__).resolve().parents[2]


def make_job(folder):
    (folder / "a.wav").write_bytes(files.make_wav(np.arange(4000, dtype="<i2").reshape(-1, 1)))
    return files.write_job(folder, {"role": "crank", "file": "a.wav", "column": 0})


def list_all(folder):
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*"))


class FullDisk:
    """Lets the first `n_calls` calls of some functions of `os` through; the disk is full then."""

    def __init__(self, monkeypatch, n_calls):
        self.left = n_calls
        for name in ("fsync", "replace"):
            monkeypatch.setattr(os, name, self._wrap(getattr(os, name)))

    def _wrap(self, function):
        def call(*args, **more):
            self.left -= 1
            if self.left < 0:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return function(*args, **more)

        return call


@pytest.mark.parametrize("n_calls", range(8))  # one fsync and one renaming a file
def test_reports_on_a_disk_that_fills_up(n_calls, tmp_path, monkeypatch):
    diagnosis = make_diagnosis()
    out = tmp_path / "out"
    with monkeypatch.context() as patch:
        FullDisk(patch, n_calls)
        with pytest.raises(OutputError, match="No space left"):
            write_reports(diagnosis, out)
    left = list_all(out) if out.exists() else []
    assert "result.json" not in left  # it comes last and vouches for the others
    assert set(left) <= set(NAMES)
    whole = tmp_path / "whole"
    write_reports(diagnosis, whole)
    for name in left:
        assert (out / name).stat().st_size == (whole / name).stat().st_size


@pytest.mark.parametrize("coding", CODINGS)
@pytest.mark.parametrize("n_calls", range(2))
def test_recording_on_a_disk_that_fills_up(n_calls, coding, tmp_path, monkeypatch):
    job = make_job(tmp_path)
    target = tmp_path / "rec.h5"
    target.write_bytes(b"what was there before")
    before = list_all(tmp_path)
    with monkeypatch.context() as patch:
        FullDisk(patch, n_calls)
        with pytest.raises(OutputError, match="No space left"):
            ingest(job, target, coding=coding)
    assert list_all(tmp_path) == before
    assert target.read_bytes() == b"what was there before"


KILLED = """
import os, signal, sys
import misfire.align.storewriter as store
n = int(sys.argv[3])
def stop_at(function):
    def call(*args, **more):
        global n
        n -= 1
        if n < 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return function(*args, **more)
    return call
store.pack = stop_at(store.pack)
os.fsync = stop_at(os.fsync)
os.replace = stop_at(os.replace)
from misfire.diagnosis.chain import ingest
ingest(sys.argv[1], sys.argv[2])
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs SIGKILL")
@pytest.mark.parametrize("step", range(3))
def test_killed_while_a_recording_is_written(step, tmp_path):
    job = make_job(tmp_path)
    target = tmp_path / "rec.h5"
    raw = (tmp_path / "a.wav").read_bytes()
    command = [sys.executable, "-c", KILLED, str(job), str(target), str(step)]
    done = subprocess.run(command, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert done.returncode == -9
    assert not target.exists()
    assert (tmp_path / "a.wav").read_bytes() == raw
    ingest(job, target)  # and the next run works
    assert target.exists()


def test_input_that_shrinks_while_it_is_read(tmp_path):
    job = make_job(tmp_path)
    recording = open_raw(job)
    with (tmp_path / "a.wav").open("rb+") as file:
        file.truncate(300)
    try:
        with pytest.raises(MisfireError, match="became shorter"):
            write_store(recording, tmp_path / "rec.h5")
    finally:
        recording.close()
    assert not (tmp_path / "rec.h5").exists()


@pytest.mark.parametrize(
    "name", ["../a.wav", "/etc/hostname", "b/../../a.wav", "..\\a.wav", "C:\\a"]
)
def test_path_out_of_the_folder(name, tmp_path):
    inner = tmp_path / "inner"
    inner.mkdir()
    make_job(tmp_path)
    job = files.write_job(inner, {"role": "crank", "file": name, "column": 0})
    with pytest.raises(MisfireError, match="--allow-outside"):
        open_raw(job)


def test_outside_when_allowed(tmp_path):
    inner = tmp_path / "inner"
    inner.mkdir()
    make_job(tmp_path)
    job = files.write_job(inner, {"role": "crank", "file": "../a.wav", "column": 0})
    open_raw(job, allow_outside=True).close()


def test_hdf5_that_leads_into_other_files(tmp_path):
    import h5py

    (tmp_path / "secret.bin").write_bytes(b"secret, secret, " * 20)
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["x"] = np.arange(90, dtype="<i2")
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["link"] = h5py.ExternalLink("other.h5", "/x")
        file["soft"] = h5py.SoftLink("/link")
        outer = [(str(tmp_path / "secret.bin"), 0, 300)]
        file.create_dataset("outer", (300,), "i1", external=outer)
        source = h5py.VirtualSource("other.h5", "x", shape=(90,))
        layout = h5py.VirtualLayout((90,), "<i2")
        layout[:] = source
        file.create_virtual_dataset("virtual", layout)
    for column in ("link", "soft", "outer", "virtual"):
        card = {"role": "crank", "file": "a.h5", "column": column, "rate_hz": 1000.0}
        with pytest.raises(MisfireError, match="link out|other files"):
            open_raw(files.write_job(tmp_path, card))
