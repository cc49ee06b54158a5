"""The hash of raw files beside the work: hashlib's own, whatever the work does meanwhile."""

import hashlib
import threading
from dataclasses import replace

import pytest

from misfire.diagnosis.chain import diagnose
from misfire.errors import FormatError
from misfire.measuring import hashing, scanning
from misfire.measuring.hashing import hash_beside
from misfire.measuring.opening import open_recording
from tests.builders.recordings import make_recording


@pytest.fixture
def made(tmp_path):
    return make_recording(tmp_path, n_cycles=12, channels=("primary 1", "crank"))


def expect(job):
    card, samples = job.read_bytes(), job.with_name("capture.wav").read_bytes()
    return hashlib.sha256(card + samples).hexdigest()


def test_the_hash_is_that_of_card_and_files(made):
    assert diagnose(made.job).sha256 == expect(made.job)


def test_a_hash_that_is_there_is_kept(made):
    recording = open_recording(made.job, hash_source=False)
    with hash_beside(replace(recording, sha256="known")) as wait:
        assert wait() == "known"
    recording.close()


def test_the_work_goes_on_while_the_hash_is_computed(made, monkeypatch):
    reached = threading.Event()

    def hash_late(job, *, progress):
        assert reached.wait(60)  # set below: by the work, which does not wait for the hash
        progress("hash", 1.0)
        return "late"

    monkeypatch.setattr(hashing, "compute_source_hash", hash_late)
    recording = open_recording(made.job, hash_source=False)
    with hash_beside(recording) as wait:
        reached.set()
        assert wait() == "late"
    recording.close()


def test_the_hash_rests_while_channels_are_scanned_on_all_processors(made, monkeypatch):
    monkeypatch.setattr(scanning, "_count_processors", lambda: 2)
    n_read = threading.Semaphore(0)

    def hash_slowly(job, *, progress):
        for _ in range(3):
            progress("hash", 0.5)
            n_read.release()
        return "slow"

    monkeypatch.setattr(hashing, "compute_source_hash", hash_slowly)
    recording = open_recording(made.job, hash_source=False)
    with scanning.CREW.work():
        with scanning.CREW.work(), hash_beside(recording):
            assert not n_read.acquire(timeout=0.5)
            with pytest.raises(KeyError), hash_beside(recording):
                raise KeyError("no cylinder")  # nor does a failed work wait for its rest
        with hash_beside(recording) as wait:  # one of the two processors is left
            assert wait() == "slow"
    recording.close()


def test_a_failed_work_does_not_wait_for_the_hash(made, monkeypatch):
    told = []

    def hash_for_ever(job, *, progress):
        while True:
            told.append(progress("hash", 0.5))

    monkeypatch.setattr(hashing, "compute_source_hash", hash_for_ever)
    recording = open_recording(made.job, hash_source=False)
    with pytest.raises(KeyError), hash_beside(recording):
        raise KeyError("no cylinder")
    assert not [t.name for t in threading.enumerate() if t.name.startswith("hash")]
    recording.close()


def test_a_file_that_vanished_is_said_in_one_line(made):
    recording = open_recording(made.job, hash_source=False)
    made.job.with_name("capture.wav").unlink()
    with pytest.raises(FormatError, match="capture.wav"), hash_beside(recording) as wait:
        wait()
    recording.close()


def test_no_room_for_a_thread_is_a_lack_of_memory(made, monkeypatch):
    def refuse(self, work):
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr(hashing.ThreadPoolExecutor, "submit", refuse)
    recording = open_recording(made.job, hash_source=False)
    with pytest.raises(MemoryError, match="thread"), hash_beside(recording):
        pass
    recording.close()
