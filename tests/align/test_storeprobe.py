"""Stored recordings are tried in a process of their own: what happens to sound and forged ones."""

import os
import time
from pathlib import Path

import h5py
import numpy as np
import pytest

from misfire.align import storeprobe
from misfire.align.store import open_store
from misfire.align.storewriter import write_store
from misfire.errors import FormatError
from misfire.ingest.reading import open_raw
from tests.builders import files
from tests.fuzz.resealing import reseal

CORPUS = Path(__file__).parents[1] / "fuzz" / "corpus"


def write_recording(
    folder: Path, n_channels: int = 1, n_samples: int = 300, coding: str = "deflate"
) -> Path:
    """Write a recording of some sampled channels and a logic one."""
    rows = np.arange(n_samples)[:, None] * np.arange(1, n_channels + 1) % 30_000
    (folder / "capture.wav").write_bytes(files.make_wav(rows.astype("<i2")))
    lines = "".join(f"{i / 1000},{i % 2}\n" for i in range(12))
    (folder / "logic.csv").write_text("time,in1\n" + lines)
    cards = [
        {"role": "coil_primary", "file": "capture.wav", "column": i, "name": f"ä {i}"}
        for i in range(n_channels)
    ]
    job = files.write_job(folder, *cards, {"role": "crank", "file": "logic.csv", "column": "in1"})
    recording = open_raw(job)
    write_store(recording, folder / "rec.h5", coding=coding)
    recording.close()
    return folder / "rec.h5"


def read_all(path: Path) -> np.ndarray:
    """Read the counts of the first channel."""
    recording = open_store(path)
    try:
        return recording.read("ä 0", 0, recording.channels[0].n_samples)
    finally:
        recording.close()


def spoil_attribute(file):
    file.attrs["more"] = np.arange(3, dtype="f4")


def spoil_link(file):
    file["more"] = h5py.SoftLink("/channels")


def spoil_coding(file):
    values = file["channels/_ 0"][()]
    file.create_dataset("more", data=values, chunks=(64,), compression="lzf")


def spoil_loop(file):
    file["levels/again"] = file["levels"]  # a group in itself


@pytest.mark.parametrize("spoil", [spoil_attribute, spoil_link, spoil_coding, spoil_loop])
def test_what_other_programs_add_is_no_harm_or_named(spoil, tmp_path):
    path = write_recording(tmp_path)
    with h5py.File(path, "r+") as file:
        spoil(file)
    if spoil is spoil_loop:
        with pytest.raises(FormatError, match=r"rec\.h5: is damaged or was changed by another"):
            open_store(path)
    else:
        assert read_all(path).sum() == np.arange(300).sum()


def test_a_copy_by_another_program_is_read(tmp_path):
    path = write_recording(tmp_path)
    with h5py.File(path) as old, h5py.File(tmp_path / "copy.h5", "w") as new:  # the oldest form
        for name in old:
            old.copy(name, new)
        new.attrs.update(old.attrs)
    with_probe, without = open_store(tmp_path / "copy.h5"), open_store(path)
    assert with_probe.channels == without.channels
    assert np.array_equal(with_probe.read("ä 0", 0, 300), without.read("ä 0", 0, 300))
    with_probe.close()
    without.close()


@pytest.mark.parametrize(
    ("mark", "at", "value"),
    [
        (b"OCHK", 0, b"OHDR"),  # a piece of a header that is none
        (b"BTHD", 12, b"\1\0"),  # a tree of two levels
        (b"BTHD", 16, bytes(8)),  # a leaf that is the superblock
        (b"FRHP", 132, bytes(8)),  # a heap whose block is the superblock
        (b"FRHP", 140, b"\1\0"),  # a heap of many blocks
        (b"FAHD", 8, b"\xff" * 7 + b"\x0f"),  # 2^60 chunks
        (b"GCOL", 24, bytes(8)),  # a text that ends nowhere
    ],
)
def test_forged_blocks_are_refused(mark, at, value, tmp_path):
    # offsets as in the HDF5 File Format Specification 3.0, from memory
    path = write_recording(tmp_path, 1, 600_000)
    data = bytearray(path.read_bytes())
    place = data.index(mark) + at
    assert data[place : place + len(value)] != value
    data[place : place + len(value)] = value
    path.write_bytes(reseal(bytes(data)))
    with pytest.raises(FormatError, match=r"rec\.h5: .*(run `misfire ingest`|in a job card)"):
        open_store(path)


def test_a_text_that_promises_gigabytes(tmp_path):
    """The library makes room for it before it looks: 4 GB, and ten seconds."""
    path = write_recording(tmp_path)
    data = bytearray(path.read_bytes())
    place = data.index(b"source_sha256") + 14 + 20 + 4  # behind its name, type and dataspace
    heap_at = data.index(b"GCOL").to_bytes(8, "little")
    assert bytes(data[place + 4 : place + 12]) == heap_at
    data[place : place + 4] = b"\xff" * 4
    path.write_bytes(reseal(bytes(data)))
    with pytest.raises(FormatError, match=r"rec\.h5: (needs far more memory|is damaged)"):
        open_store(path)


def test_a_header_that_leads_back_to_itself(tmp_path):
    """Pieces of an object header in a ring, with the checksums of a forger."""
    path = write_recording(tmp_path)
    data = bytearray(path.read_bytes())
    pieces = [at for at in range(len(data)) if data[at : at + 4] == b"OCHK"]
    last = pieces[-1].to_bytes(8, "little")
    place = data.index(last)
    data[place : place + 8] = pieces[0].to_bytes(8, "little")
    path.write_bytes(reseal(bytes(data)))
    with pytest.raises(FormatError, match=r"rec\.h5: is damaged"):
        open_store(path)


def test_a_recording_in_which_the_library_hangs(tmp_path, monkeypatch):
    """The check of the heaps in the process that tries is left out, to see that it is ended."""
    (tmp_path / "rec.h5").write_bytes((CORPUS / "recording" / "heap_without_end.bin").read_bytes())
    with pytest.raises(FormatError, match=r"rec\.h5: its texts are damaged"):
        open_store(tmp_path / "rec.h5")
    monkeypatch.setattr(storeprobe, "LIMITS", storeprobe.Limits(time_s=1.0))
    process = storeprobe.TaskProcess("tests.align.hanging_probe")
    monkeypatch.setattr(storeprobe, "PROCESS", process)
    start = time.monotonic()
    with pytest.raises(FormatError, match=r"rec\.h5: cannot be read within 1 s; it is damaged"):
        storeprobe.probe_store(tmp_path / "rec.h5")
    assert time.monotonic() - start < 30
    assert process.n_ended == 1


@pytest.mark.skipif(not hasattr(os, "fork"), reason="signals of POSIX systems")
def test_a_recording_that_ends_the_library(tmp_path, monkeypatch):
    path = write_recording(tmp_path)
    process = storeprobe.TaskProcess("tests.align.aborting_probe")
    monkeypatch.setattr(storeprobe, "PROCESS", process)
    with pytest.raises(FormatError, match=r"rec\.h5: breaks the HDF5 library \(SIGABRT\); it is"):
        storeprobe.probe_store(path)
