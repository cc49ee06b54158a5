"""A reader whose library breaks costs its file, not the process; nothing is left behind."""

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import h5py
import numpy as np
import pytest

from misfire.childprocess import Limits
from misfire.dsp import heaps
from misfire.errors import FormatError, JobCardError
from misfire.ingest.reader_process import ApartReader, ReaderProcess
from misfire.ingest.reading import open_file, open_raw
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import Request
from misfire.records import ChannelCard
from tests.builders.exports import make_mat, make_mat73
from tests.builders.files import make_hdf5, make_npy, write_job
from tests.ingest import bad_readers

ROOT = Path(__file__).resolve().parents[2]
CORPUS = ROOT / "tests" / "fuzz" / "corpus"
REQUEST = Request(ChannelCard("crank", "a.bin", "in1", "in1", rate_hz=8e3), "job.toml: 1")
QUICK = Limits(time_s=1.0, bytes_per_s=1e12)
SMALL = Limits(time_s=60.0, memory_bytes=200 << 20, memory_times=0)
posix = pytest.mark.skipif(sys.platform == "win32", reason="signals and limits of POSIX systems")
linux = pytest.mark.skipif(sys.platform != "linux", reason="the system bounds no memory")


@pytest.fixture
def place(tmp_path, monkeypatch):
    """Give a folder for the file, and one that is empty for temporary files."""
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(temporary))
    yield tmp_path
    assert list(temporary.iterdir()) == []


def read_apart(place, reader, limits=None, *, progress=None, process=None):
    """Run a reader of this folder in a process of its own, and end all."""
    path = place / "a.bin"
    path.write_bytes(b"\x05\0" * 8)
    scratch = Scratch()
    scratch.apart = process or ReaderProcess(limits)
    try:
        sources = ApartReader(reader, "XYZ", ())(
            path, [REQUEST], scratch=scratch, progress=progress
        )
        return [(s, s.counts.read(0, s.counts.n_samples).tolist()) for s in sources]
    finally:
        if process is not None:
            scratch.apart = None
        scratch.close()


def is_alive(pid: int) -> bool:
    """Tell whether a process runs; one that has ended and waits to be asked does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def wait_for_end(pid: int, longest_s: float) -> bool:
    """Wait until a process has ended."""
    stop = time.monotonic() + longest_s
    while is_alive(pid) and time.monotonic() < stop:
        time.sleep(0.05)
    return not is_alive(pid)


def test_what_a_reader_gives_arrives_to_the_bit(place):
    told = []
    ((source, counts),) = read_apart(
        place, bad_readers.read_well, progress=lambda *step: told.append(step)
    )
    assert counts == [1, -2, 3]
    assert (source.rate_hz, source.unit) == (0.1 + 0.2, "mV")
    assert told == [("read", 0.25), ("read", 1.0)]


@posix
def test_a_reader_that_aborts(place):
    with pytest.raises(FormatError, match=r"a\.bin: .* XYZ breaks down on it \(SIGABRT\).*export"):
        read_apart(place, bad_readers.abort)


@posix
def test_a_file_that_an_earlier_one_broke_is_read_anew(place):
    process = ReaderProcess()
    for _ in range(3):
        ((_, counts),) = read_apart(place, bad_readers.abort_once_used, process=process)
        assert counts == [7]
    assert process.n_ended == 2
    process.close()


@posix
def test_a_fork_leaves_the_process_to_its_starter(place):
    code = (
        "import os, sys\n"
        "from misfire.align import storeprobe\n"
        "from misfire.align.store import open_store\n"
        "def look():\n"
        "    try:\n"
        "        open_store(sys.argv[1])\n"
        "    except ValueError as error:\n"
        "        return 7 if 'holds no' in str(error) or 'no recording' in str(error) else 8\n"
        "assert look() == 7\n"
        "child = os.fork()\n"
        "if not child:\n"
        "    status = look()\n"
        "    storeprobe.PROCESS.close()\n"
        "    os._exit(status)\n"
        "assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 7\n"
        "assert look() == 7\n"
        "print(storeprobe.PROCESS.n_ended)\n"
    )
    path = place / "a.h5"
    path.write_bytes(make_hdf5(path, in1=np.arange(9, dtype="<i2")))
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        env=environment,
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    assert done.stdout.split() == ["0"]


@pytest.mark.parametrize(
    "reader",
    [bad_readers.sleep, pytest.param(bad_readers.hang, marks=posix)],
    ids=["sleep", "hang"],
)
def test_a_reader_that_does_not_end(reader, place):
    start = time.monotonic()
    with pytest.raises(FormatError, match=r"a\.bin: .* XYZ did not end within 1 s.*copy it again"):
        read_apart(place, reader, QUICK)
    assert time.monotonic() - start < 15
    assert not is_alive(int((place / "a.pid").read_text()))


def test_the_time_grows_with_the_file():
    # 30 s and a second for each megabyte: 1 GB over a slow network may take a quarter of an hour
    assert Limits().fit(0)["time_s"] == 30
    assert Limits().fit(10**9)["time_s"] == 1030


@linux
def test_a_reader_that_takes_memory_without_bound(place):
    with pytest.raises(FormatError, match=r"a\.bin: .* XYZ needs far more memory.*copy it again"):
        read_apart(place, bad_readers.take_memory, SMALL)


@linux
def test_a_library_that_breaks_when_memory_is_refused(place):
    with pytest.raises(FormatError, match="breaks down on it .SIGABRT"):
        read_apart(place, bad_readers.take_memory_in_library, SMALL)


def test_a_reader_that_unpacks_without_end(place):
    # 16 bytes may become (16 x 4096 + 1 MiB) numbers
    with pytest.raises(FormatError, match=r"a\.bin: unpacks to far more than a file of its size"):
        read_apart(place, bad_readers.fill_disk)


def test_a_reader_that_fails_as_nobody_foresaw(place):
    process = ReaderProcess()
    with pytest.raises(FormatError, match=r"as XYZ \(ZeroDivisionError: of no use\); it is"):
        read_apart(place, bad_readers.fail, process=process)
    assert process.faults == ["ZeroDivisionError: of no use\nsecond line"]
    process.close()


def test_refusals_keep_their_kind_and_words(place):
    with pytest.raises(JobCardError, match=r"^job\.toml: 1 column: 'in1' is not there$"):
        read_apart(place, bad_readers.refuse)
    with pytest.raises(JobCardError, match="^no such thing$"):
        read_apart(place, bad_readers.refuse_card)


@pytest.mark.parametrize(
    "reader",
    [
        bad_readers.tell_no_number,
        bad_readers.tell_too_few,
        bad_readers.tell_outside,
        bad_readers.tell_objects,
    ],
    ids=lambda reader: reader.__name__,
)
def test_what_a_broken_process_says_is_checked(reader, place):
    with pytest.raises(FormatError, match=r"a\.bin: cannot be read as XYZ .*; it is damaged"):
        read_apart(place, reader)


def test_a_run_that_is_cancelled_leaves_nothing(place):
    def cancel(stage, fraction):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        read_apart(place, bad_readers.sleep, progress=cancel)
    assert not is_alive(int((place / "a.pid").read_text()))


_STARTER = """
import sys
from pathlib import Path
from misfire.childprocess import Limits
from misfire.ingest.reader_process import ApartReader, ReaderProcess
from misfire.ingest.scratch import Scratch
from tests.ingest import bad_readers
from tests.ingest.test_reader_process import QUICK, REQUEST
import tempfile
tempfile.tempdir = sys.argv[2]
scratch = Scratch()
scratch.apart = ReaderProcess(Limits(time_s=3) if sys.argv[3] == "hang" else None)
reader = getattr(bad_readers, sys.argv[3])
ApartReader(reader, "XYZ", ())(Path(sys.argv[1]), [REQUEST], scratch=scratch)
"""


@linux
@pytest.mark.parametrize("how", ["sleep", "hang"])
def test_a_process_whose_starter_is_killed_ends(how, tmp_path):
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    path = tmp_path / "a.bin"
    path.write_bytes(b"\0")
    command = [sys.executable, "-c", _STARTER, str(path), str(temporary), how]
    with subprocess.Popen(command, cwd=ROOT) as starter:
        stop = time.monotonic() + 60
        while not path.with_suffix(".pid").exists() and time.monotonic() < stop:
            time.sleep(0.05)
        time.sleep(0.2)
        pid = int(path.with_suffix(".pid").read_text())
        assert is_alive(pid)
        os.kill(starter.pid, signal.SIGKILL)
    assert wait_for_end(pid, 30)  # one that hangs is ended by the system, at its limit and 5 s
    if how == "sleep":
        assert list(temporary.iterdir()) == []


def test_modules_beside_the_recording_are_not_run(tmp_path, monkeypatch):
    (tmp_path / "h5py.py").write_text("open('was_here', 'w').close()")
    (tmp_path / "json.py").write_text("open('was_here', 'w').close()")
    (tmp_path / "a.h5").write_bytes(make_hdf5(tmp_path / "a.h5", in1=np.arange(9, dtype="<i2")))
    monkeypatch.chdir(tmp_path)
    with closing(Scratch()) as scratch:
        scratch.apart = ReaderProcess()
        (source,) = open_file(Path("a.h5"), [REQUEST], scratch, None)
        assert source.counts.n_samples == 9
    assert not (tmp_path / "was_here").exists()


def test_a_forged_mdf_file(place):
    """Its lengths make the library write beyond its memory, which ends or hangs the process.

    What was there before decides: now and then it ends with numbers that are no recording.
    """
    pytest.importorskip("asammdf", reason="an extra that is not installed")
    path = place / "a.mf4"
    path.write_bytes((CORPUS / "MDF" / "memory_overwritten.bin").read_bytes())
    with closing(Scratch()) as scratch:
        scratch.apart = ReaderProcess(Limits(time_s=5))
        with pytest.raises(FormatError, match=r"a\.mf4: .*\w"):
            open_file(path, [REQUEST], scratch, None)


def make_forged_hdf5(path: Path) -> None:
    """Write a sparse file whose heap of texts has an object of no length, far from both ends."""
    far = heaps.WHOLE_BYTES // 8 + (1 << 20)
    with h5py.File(path, "w") as file:
        plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
        plist.set_alloc_time(h5py.h5d.ALLOC_TIME_EARLY)
        plist.set_fill_time(h5py.h5d.FILL_TIME_NEVER)
        space = h5py.h5s.create_simple((heaps.WHOLE_BYTES // 2,))
        h5py.h5d.create(file.id, b"before", h5py.h5t.NATIVE_INT8, space, plist)
        file["in1"] = np.arange(100, dtype="<i2")
        file["in1"].attrs["unit"] = "V"
        h5py.h5d.create(file.id, b"after", h5py.h5t.NATIVE_INT8, space, plist)
    size = path.stat().st_size
    with path.open("rb+") as file:
        file.seek(far)
        for at in range(far, size - far, 1 << 24):
            file.seek(at)
            found = file.read((1 << 24) + 8).find(b"GCOL")
            if found >= 0:
                file.seek(at + found + 16)
                head = file.read(16)
                n_bytes = int.from_bytes(head[8:], "little")
                file.seek(at + found + 32 + (n_bytes + 7) // 8 * 8)
                file.write(bytes(16))  # what is free there: no length
                file.seek(at + found + 16)
                file.write(b"\x07")  # the text that is asked for is not there: it is looked for
                return
    raise ValueError("no heap")


def test_a_forged_hdf5_file_that_is_too_large_to_be_checked(place):
    path = place / "a.h5"
    make_forged_hdf5(path)
    assert path.stat().st_size > heaps.WHOLE_BYTES
    assert path.stat().st_blocks * 512 < 8 << 20  # sparse
    assert heaps.find_broken_heap(path) is None
    with closing(Scratch()) as scratch:
        scratch.apart = ReaderProcess(QUICK)
        with pytest.raises(FormatError, match=r"a\.h5: .*did not end within 1 s"):
            open_file(path, [REQUEST], scratch, None)


@pytest.mark.parametrize("form", ["<i2", ">i2", "<f4", ">f8", "<i8", "u1"])
@pytest.mark.parametrize("how", ["plain", "mat73"])
def test_plain_hdf5_is_read_in_place(how, form, place):
    values = np.arange(-100 if form != "u1" else 0, 100).astype(form)
    path = place / "a.h5"
    path.write_bytes(
        make_mat73(path, in1=values) if how == "mat73" else make_hdf5(path, in1=values)
    )
    recording = open_raw(
        write_job(place, {"role": "crank", "file": "a.h5", "column": "in1", "rate_hz": 9})
    )
    (channel,) = recording.channels
    read = recording.read("crank", 0, channel.n_samples) * channel.scale + channel.offset
    assert read.tolist() == values.tolist()
    assert not any(file.name.endswith(".npy") for file in (place / "temporary").rglob("*"))
    path.write_bytes(path.read_bytes()[:300])
    with pytest.raises(FormatError, match="has changed while it was read"):
        recording.read("crank", 0, channel.n_samples)
    recording.close()


@pytest.mark.parametrize("form", ["npy", "columns.npy", "fortran.npy", "mat"])
def test_a_file_cut_while_it_is_read_does_not_end_the_process(form, place):
    """A file mapped into memory would: its lost pages end the process (mmap, POSIX.1)."""
    table = np.arange(200_000, dtype="<i2").reshape(-1, 2)
    path = place / ("a.mat" if form == "mat" else "a.npy")
    column = "in1" if form == "mat" else 0
    if form == "mat":
        path.write_bytes(make_mat(False, in1=table[:, 0].copy()))
    else:
        array = {
            "npy": table[:, 0].copy(),
            "columns.npy": table,
            "fortran.npy": np.asfortranarray(table),
        }
        path.write_bytes(make_npy(array[form]))
    job = write_job(place, {"role": "crank", "file": path.name, "column": column, "rate_hz": 9})
    recording = open_raw(job)
    assert np.array_equal(recording.read("crank", 0, 100_000), table[:, 0])
    assert recording.read("crank", 5, 5).size == 0
    with path.open("rb+") as file:
        file.truncate(5000)
    with pytest.raises(FormatError, match=r"a\.\w+: .*has changed while it was read"):
        recording.read("crank", 90_000, 100_000)
    recording.close()


def test_numbers_of_fewer_bits_than_their_bytes_are_not_read_in_place(place):
    # 12 bits in the middle of 16: only the library can unpack them
    kind = h5py.h5t.STD_I16LE.copy()
    kind.set_precision(12)
    kind.set_offset(2)
    values = np.arange(-50, 50, dtype="<i2")
    with h5py.File(place / "a.h5", "w") as file:
        space = h5py.h5s.create_simple(values.shape)
        dataset = h5py.h5d.create(file.id, b"in1", kind, space)
        dataset.write(h5py.h5s.ALL, h5py.h5s.ALL, values)
    recording = open_raw(
        write_job(place, {"role": "crank", "file": "a.h5", "column": "in1", "rate_hz": 9})
    )
    assert recording.read("crank", 0, 100).tolist() == values.tolist()
    recording.close()


def test_a_process_inside_a_daemon(tmp_path):
    """A worker process of a pool may have no children of the library's own kind."""
    (tmp_path / "a.h5").write_bytes(make_hdf5(tmp_path / "a.h5", in1=np.arange(9, dtype="<i2")))
    job = write_job(tmp_path, {"role": "crank", "file": "a.h5", "column": "in1", "rate_hz": 9})
    code = (
        "import multiprocessing, sys\n"
        "from misfire.ingest.reading import open_raw\n"
        "def work(job, place):\n"
        "    recording = open_raw(job)\n"
        "    recording.close()\n"
        "    place.put(recording.channels[0].n_samples)\n"
        "if __name__ == '__main__':\n"
        "    spawn = multiprocessing.get_context('spawn')\n"
        "    place = spawn.Queue()\n"
        "    process = spawn.Process(target=work, args=(sys.argv[1], place), daemon=True)\n"
        "    process.start()\n"
        "    print(place.get(timeout=60))\n"
        "    process.join()\n"
    )
    script = tmp_path / "pool.py"
    script.write_text(code)
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, str(script), str(job)],
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert json.loads(done.stdout) == 9
