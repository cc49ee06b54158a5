"""Recordings split into several files: every layout whole, in blocks, cut short and damaged."""

import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from misfire.align.store import open_store
from misfire.align.storewriter import write_store
from misfire.dsp.blocks import iterate_blocks
from misfire.errors import FormatError, JobCardError, MisfireError
from misfire.ingest.jobcard import read_job_card
from misfire.ingest.parts import list_files
from misfire.ingest.reading import compute_source_hash, open_raw
from tests.builders.exports import make_mdf, make_parquet
from tests.builders.files import RATE_HZ, make_chunk, make_hdf5, make_wav, make_wave, write_job

N = 3000
WHOLE = make_wave(-2000, 2000, n=N)
CUTS = ((0, 1000), (1000, 1900), (2200, 3000))  # nothing was recorded from 1900 to 2200
GAP = (1900, 2200)


def make_bext(start: int, day: str = "2024-05-17") -> bytes:
    """Build a broadcast chunk (EBU Tech 3285, from memory): date at 320, samples at 338."""
    body = bytearray(602)
    body[320:330] = day.encode()
    body[338:346] = struct.pack("<Q", start)
    return make_chunk(b"bext", bytes(body))


def wav_part(path: Path, start: int, stop: int) -> bytes:
    return make_wav(WHOLE[start:stop, None].astype("<i2"), rate_hz=8000)


def bext_part(path: Path, start: int, stop: int) -> bytes:
    samples = WHOLE[start:stop, None].astype("<i2")
    return make_wav(samples, rate_hz=8000, before=make_bext(10**9 + start))


def csv_part(path: Path, start: int, stop: int) -> bytes:
    rows = [f"{i / RATE_HZ:.6f},{WHOLE[i]}" for i in range(start, stop)]
    return ("time,in1\n" + "\n".join(rows) + "\n").encode()


def parquet_part(path: Path, start: int, stop: int) -> bytes:
    time = np.arange(start, stop) / RATE_HZ
    return make_parquet({"time_s": time, "in1": WHOLE[start:stop].astype("<i2")})


def hdf5_part(path: Path, start: int, stop: int) -> bytes:
    return make_hdf5(path, in1=(WHOLE[start:stop].astype("<i2"), {"rate_hz": RATE_HZ}))


def mdf_part(path: Path, start: int, stop: int) -> bytes:
    values = WHOLE[start:stop].astype("<i2")
    return make_mdf(path, {"in1": values}, start_s=start / RATE_HZ)


@dataclass(frozen=True)
class Layout:
    """One way of splitting; `tells` is whether the files themselves say when each began."""

    name: str
    suffix: str
    make: Callable[[Path, int, int], bytes]
    column: int | str
    tells: bool
    is_list: bool = False
    starts: bool = False
    needs: str = ""

    def write(self, folder: Path) -> Path:
        names = []
        for number, (start, stop) in enumerate(CUTS, start=9):  # 9, 10, 11: not in order of letters
            names.append(f"part_{number}{self.suffix}")
            path = folder / names[-1]
            path.write_bytes(self.make(path, start, stop))
        channel = {"role": "battery_voltage", "file": f"part_*{self.suffix}", "name": "c0"}
        channel |= {"column": self.column, "unit": "V"}
        if self.is_list:
            channel["file"] = names
        if self.starts:
            channel["start_s"] = [start / RATE_HZ for start, _ in CUTS]
        return write_job(folder, channel)


LAYOUTS = (
    Layout("wav, pattern", ".wav", wav_part, 0, tells=False),
    Layout("wav, list", ".wav", wav_part, 0, tells=False, is_list=True),
    Layout("wav, list with times", ".wav", wav_part, 0, tells=True, is_list=True, starts=True),
    Layout("wav with times in headers", ".wav", bext_part, 0, tells=True),
    Layout("csv with time column", ".csv", csv_part, 1, tells=True),
    Layout("parquet with time column", ".parquet", parquet_part, "in1", tells=True),
    Layout("hdf5, list with times", ".h5", hdf5_part, "in1", True, is_list=True, starts=True),
    Layout("mdf", ".mf4", mdf_part, "in1", tells=True, needs="asammdf"),
)


@pytest.fixture(params=LAYOUTS, ids=lambda layout: layout.name)
def layout(request: pytest.FixtureRequest) -> Layout:
    if request.param.needs:
        pytest.importorskip(request.param.needs, reason="an extra that is not installed")
    return request.param


def expect(layout: Layout) -> np.ndarray:
    """Give what must be read; NaN in the gap."""
    parts = [WHOLE[start:stop].astype(float) for start, stop in CUTS]
    if layout.tells:
        parts.insert(2, np.full(GAP[1] - GAP[0], np.nan))
    return np.concatenate(parts)


def test_parts_are_put_where_they_belong(layout: Layout, tmp_path: Path) -> None:
    recording = open_raw(layout.write(tmp_path))
    (channel,) = recording.channels
    values = recording.read("c0", 0, channel.n_samples) * channel.scale + channel.offset
    wanted = expect(layout)
    assert channel.n_samples == wanted.size
    known = np.isfinite(wanted)
    assert np.array_equal(values[known], wanted[known])
    assert np.unique(values[~known]).size <= 1  # still: no edge and no noise in a gap
    assert channel.rate_hz == pytest.approx(RATE_HZ, rel=1e-9)
    codes = [finding.code for finding in recording.findings]
    assert codes == ["recording_gap" if layout.tells else "parts"]
    gaps = np.array(recording.job.channels[0].gaps_s) * RATE_HZ
    joints = np.cumsum([stop - start for start, stop in CUTS])[:-1]  # where nothing tells a gap
    wanted_gaps = [GAP] if layout.tells else [(j, j) for j in joints]
    assert gaps == pytest.approx(np.array(wanted_gaps))
    recording.close()


@pytest.mark.parametrize("size", [1, 7, 299, 1000, 10**6])
def test_blocks_join_to_the_whole(layout: Layout, size: int, tmp_path: Path) -> None:
    recording = open_raw(layout.write(tmp_path))
    n = recording.channels[0].n_samples
    whole = recording.read("c0", 0, n)
    blocks = iterate_blocks(lambda a, b: recording.read("c0", a, b), n, size=size)
    assert np.array_equal(np.concatenate([counts for *_, counts in blocks]), whole)
    for start, stop in ((1899, 2201), (999, 1001), (1900, 2200), (2199, 2200), (0, 0), (n, n)):
        assert np.array_equal(recording.read("c0", start, stop), whole[start:stop])
    recording.close()


def test_a_part_cut_short_or_damaged_never_ends_in_a_traceback(
    layout: Layout, tmp_path: Path
) -> None:
    job = layout.write(tmp_path)
    path = tmp_path / f"part_10{layout.suffix}"
    good = path.read_bytes()
    rng = np.random.default_rng(5)
    for trial in range(16):
        data = bytearray(good[: int(len(good) * (0.3 + 0.04 * trial))] if trial < 8 else good)
        if trial >= 8:
            data[rng.integers(len(data))] = int(rng.integers(256))
        path.write_bytes(bytes(data))
        try:
            recording = open_raw(job)
            recording.read("c0", 0, recording.channels[0].n_samples)
        except MisfireError as error:
            assert "part_10" in str(error) or "part_11" in str(error)  # noqa: PT017
        else:
            if trial < 8:  # a part that ends early makes a gap, or is told
                codes = {finding.code for finding in recording.findings}
                assert codes & {"truncated", "recording_gap"}
            recording.close()


def test_ingested_recording_keeps_gaps_and_parts(layout: Layout, tmp_path: Path) -> None:
    raw = open_raw(layout.write(tmp_path))
    write_store(raw, tmp_path / "rec.h5s")
    kept = open_store(tmp_path / "rec.h5s")
    n = raw.channels[0].n_samples
    assert np.array_equal(kept.read("c0", 0, n), raw.read("c0", 0, n))
    assert kept.job.channels == raw.job.channels
    assert kept.channels == raw.channels
    kept.close()
    raw.close()


def test_every_part_counts_in_the_hash(layout: Layout, tmp_path: Path) -> None:
    job = read_job_card(layout.write(tmp_path))
    assert list_files(job) == tuple(f"part_{n}{layout.suffix}" for n in (9, 10, 11))
    before = compute_source_hash(job)
    with (tmp_path / f"part_11{layout.suffix}").open("ab") as file:
        file.write(b"\0")
    assert compute_source_hash(job) != before


def test_parts_over_midnight(tmp_path: Path) -> None:
    day = 86_400 * 8000
    for number, (start, date) in enumerate(((day - 150, "2024-05-17"), (50, "2024-05-18"))):
        data = make_wav(WHOLE[:100, None].astype("<i2"), before=make_bext(start, date))
        (tmp_path / f"part_{number}.wav").write_bytes(data)
    card = {"role": "crank", "file": "part_*.wav", "column": 0}
    recording = open_raw(write_job(tmp_path, card))
    assert recording.job.channels[0].gaps_s == ((100 / 8000, 200 / 8000),)


def test_parts_on_different_grids_come_out_in_volts(tmp_path: Path) -> None:
    values = [np.round(WHOLE[:500] * 0.002, 3), np.round(WHOLE[500:900] * 0.01, 2)]
    for number, part in enumerate(values):
        (tmp_path / f"part_{number}.csv").write_text("in1\n" + "\n".join(map(str, part)) + "\n")
    card = {"role": "crank", "file": "part_?.csv", "column": "in1", "rate_hz": 100}
    recording = open_raw(write_job(tmp_path, card))
    (channel,) = recording.channels
    read = recording.read("crank", 0, channel.n_samples) * channel.scale + channel.offset
    assert read == pytest.approx(np.concatenate(values), abs=1e-9)
    recording.close()


def test_logic_changes_in_several_files(tmp_path: Path) -> None:
    (tmp_path / "p_1.csv").write_text("t,a\n0.0,0\n0.3,1\n0.35,0\n0.9,1\n0.95,0\n")
    (tmp_path / "p_2.csv").write_text("t,a\n1.0,0\n1.2,1\n1.45,0\n")
    card = {"role": "crank", "file": "p_*.csv", "column": 1}
    recording = open_raw(write_job(tmp_path, card))
    levels = recording.read_levels("crank")
    assert levels["time_s"].tolist() == pytest.approx([0.3, 0.35, 0.9, 0.95, 1.2, 1.45])
    (tmp_path / "p_2.csv").write_text("t,a\n0.0,0\n0.2,1\n0.45,0\n")
    with pytest.raises(FormatError, match="times of p_2.csv do not follow those of p_1.csv"):
        open_raw(write_job(tmp_path, card))


def test_several_channels_of_parts_share_one_clock(tmp_path: Path) -> None:
    for number, (start, stop) in enumerate(CUTS):
        both = np.stack([WHOLE[start:stop], -WHOLE[start:stop]], axis=1).astype("<i2")
        (tmp_path / f"part_{number}.wav").write_bytes(make_wav(both))
    card = {"role": "crank", "file": "part_*.wav", "column": 0}
    recording = open_raw(write_job(tmp_path, card, card | {"role": "cam", "column": 1}))
    assert {channel.clock for channel in recording.channels} == {"part_*.wav"}
    assert [finding.code for finding in recording.findings] == ["parts"]  # once, not per channel


CARD = {"role": "crank", "column": 0}


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"file": []}, "file: must not be empty"),
        ({"file": ["part_9.wav", 3]}, r"file: must list names in quotes, got a whole number \(3\)"),
        ({"file": ["part_9.wav", "part_9.wav"]}, "file: names a file twice"),
        ({"file": ["part_*.wav"]}, "give a pattern alone"),
        ({"file": ["part_9.wav", "../b.wav"]}, "leaves the folder of the job card"),
        ({"file": "../part_*.wav"}, "leaves the folder of the job card"),
        ({"file": "part_x*.wav"}, 'no file fits "part_x'),
        (
            {"file": ["part_9.wav", "gone.wav"]},
            '"gone.wav" does not exist|gone.wav" does not exist',
        ),
        ({"file": ["part_9.wav", "part_10.wav"], "start_s": [0.0]}, "has 1 times for 2 files"),
        ({"file": "part_9.wav", "start_s": [0.0, 1.0]}, "has 2 times for 1 file;"),
        ({"file": ["part_9.wav", "part_10.wav"], "start_s": [1.0, 0.5]}, "must rise"),
    ],
)
def test_cards_that_cannot_be_used(fields: dict, message: str, tmp_path: Path) -> None:
    LAYOUTS[0].write(tmp_path)
    with pytest.raises(JobCardError, match=message):
        open_raw(write_job(tmp_path, CARD | fields))


def test_parts_that_overlap_or_do_not_belong_together(tmp_path: Path) -> None:
    LAYOUTS[0].write(tmp_path)
    names = ["part_9.wav", "part_10.wav"]
    with pytest.raises(FormatError, match=r"part_10.wav begins 0\.025 s before the end of part_9"):
        open_raw(write_job(tmp_path, CARD | {"file": names, "start_s": [0.0, 0.1]}))
    with pytest.raises(FormatError, match="more than a day"):
        open_raw(write_job(tmp_path, CARD | {"file": names, "start_s": [0.0, 1e6]}))
    (tmp_path / "part_10.wav").write_bytes(make_wav(WHOLE[:, None].astype("<i2"), rate_hz=44100))
    with pytest.raises(FormatError, match=r"part_10.wav was recorded at 44100.0 Hz, part_9.wav"):
        open_raw(write_job(tmp_path, CARD | {"file": names}))
