# ruff: noqa: E501
"""What is fuzzed: each target takes bytes and must end in a result or one `MisfireError`.

The seeds are made here from known numbers; `corpus/<target>/` holds inputs that once broke the
contract, so that every pass begins with them.
"""

import atexit
import importlib.util
import io
import itertools
import json
import math
import tempfile
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from misfire.align import storeprobe
from misfire.align.jobtext import format_job, parse_job
from misfire.align.packing import pack, unpack
from misfire.align.store import open_store
from misfire.align.storewriter import CODINGS, write_store
from misfire.childprocess import Limits
from misfire.classify.bundle import parse_manifest, unpack_arrays
from misfire.classify.learned import LOOKS, Leaning, Learned, read_learned, write_learned
from misfire.errors import FormatError, MisfireError
from misfire.fleet.catalogue import Catalogue
from misfire.fleet.folder import CATALOGUE
from misfire.ingest.formats.layout import find_layout
from misfire.ingest.formats.timebase import fit_timebase
from misfire.ingest.formats.wav import read_wav_format
from misfire.ingest.grid import GridSearch
from misfire.ingest.jobcard import parse_job_card
from misfire.ingest.reader_process import ReaderProcess
from misfire.ingest.reading import open_file, open_raw
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import Request
from misfire.learning.casefile import unpack_case
from misfire.records import ChannelCard
from misfire.simulate.scenario_file import read_scenario
from tests.builders import exports, files
from tests.fuzz.resealing import reseal

CORPUS = Path(__file__).parent / "corpus"
MOST_SAMPLES_A_BYTE = 4096  # a file may stand for more samples than bytes (deflate), not for any
EMPTY_SAMPLES = 1 << 20
Run = Callable[[bytes, Path], None]
READ_APART = ("HDF5", "MAT 7.3", "MDF", "Parquet", "sound", "recording", "forged recording")
PATIENCE_S = 5.0  # for one input, in a process of its own: shorter than a long pass allows
APART = ReaderProcess(Limits(time_s=PATIENCE_S))
"""Where foreign formats are read: one process for all inputs, a new one when it breaks."""
atexit.register(APART.close)


class ContractError(Exception):
    """An input led to something that is neither a result nor one clear message."""


@dataclass(frozen=True, slots=True)
class Target:
    """One thing to fuzz: `run(data, folder)` may raise nothing but `MisfireError`.

    `folder` is empty scratch space. `tokens` are pieces worth inserting. `weight` is the share of
    a long pass: fast targets get more. `needs` is a library without which the reader refuses
    such files.
    """

    name: str
    run: Run
    seeds: Callable[[Path], Sequence[bytes]]
    tokens: tuple[bytes, ...] = ()
    weight: float = 1.0
    needs: str = ""

    @property
    def longest_s(self) -> float:
        """Longest time of one execution: where it is read apart, a library may have to load anew."""
        return 60.0 if self.name in READ_APART else 10.0


def execute(target: Target, data: bytes, folder: Path) -> bool:
    """Run a target once; True: a result, False: refused as it should be.

    Raises
    ------
    Exception
        Whatever broke the contract.
    """
    try:
        target.run(data, folder)
    except MisfireError as error:
        if not str(error).strip():
            raise ContractError("a refusal without a message") from error
        return False
    return True


CARD = """
[vehicle]
id = "van-017"
note = "stumbles"
[engine]
cylinders = 4
firing_order = [1, 3, 4, 2]
ignition = "wasted_spark"
firing_angles_deg = [0, 180, 360, 540]
waste_pairs = [[1, 4], [2, 3]]
coil_turns_ratio = 80
strokes = 4
[crank_wheel]
positions = 60
gaps = [[59, 60]]
tdc_deg = 84.0
sensor = "vr"
[cam]
edge_deg = 312.0
[[channel]]
role = "coil_primary"
file = "capture.wav"
column = 0
cylinders = [1, 4]
unit = "V"
scale = 20.0
offset = 0.5
rate_hz = 500000.0
start_s = -1.5
name = "coil 1"
[[channel]]
role = "crank"
file = "sub/other.csv"
column = "in1"
"""
_TOML_TOKENS = (
    *b"[ ] [[ ]] = , . .. / \\ \" ' { } nan inf -inf 1e400 1e-400 0x1 9999999999999999999999".split(),
    *b"1979-05-27T07:32:00Z 1979-05-27 true \\u0000 \\U0010FFFF # null ../ //h/s C: missing".split(),
    *b"cylinders= firing_order= 12 13 0 -1 positions=720 gaps=[[1]] missing=2 hall strokes=2".split(),
    b"\n",
    b"\r",
    b"\0",
    b"\x1b[31m",
    "﻿ü\u202e".encode(),
    b"[" * 200,
)
_BINARY_TOKENS = (
    b"\0" * 8,
    b"\xff" * 8,
    b"\xff\xff\xff\x7f",
    b"\0\0\0\x80",
    (1 << 60).to_bytes(8, "little"),
    b"\0\0\0\0\0\0\xf8\x7f",  # NaN
    b"\0\0\0\0\0\0\xf0\x7f",  # infinity
)


def run_job_card(data: bytes, folder: Path) -> None:
    """A job card's text; what is accepted also survives its way through JSON."""
    job = parse_job_card(data.decode("utf-8", "replace"), folder=folder, source="job.toml")
    if any(card.rate_hz is not None and not 0 < card.rate_hz < math.inf for card in job.channels):
        raise ContractError("a job card with an impossible rate was accepted")
    base = folder.resolve()
    for card in job.channels:
        if not (base / card.file).resolve().is_relative_to(base):
            raise ContractError(f"{card.file!r} leaves the folder")
    again = parse_job(format_job(job), folder=folder, text=job.text)
    if again != job:
        raise ContractError("a job card does not come back from JSON as it was")


def run_job_json(data: bytes, folder: Path) -> None:
    """The job card as it is kept inside a recording."""
    try:
        job = parse_job(data.decode("utf-8", "replace"), folder=folder, text="")
    except (
        ValueError,
        KeyError,
        TypeError,
    ) as error:  # what it promises; its caller names the file
        raise FormatError(f"no job: {error}") from None
    format_job(job)


def run_layout(data: bytes, folder: Path) -> None:
    """The head of a text file."""
    layout = find_layout(data.decode("utf-8", "replace"))
    if layout is not None and not len(layout.names) == len(layout.units) == layout.width:
        raise ContractError("names and units do not fit the width")


def run_chunk(data: bytes, folder: Path) -> None:
    """One coded chunk of a recording."""
    try:
        counts = unpack(data[2:], int.from_bytes(data[:2], "little"))
    except ValueError as error:  # what it promises; its caller names the file
        raise FormatError(str(error)) from None
    if counts.dtype != np.int16:
        raise ContractError("counts of another type")


def run_numbers(data: bytes, folder: Path) -> None:
    """Numbers of any size on their way to counts."""
    values = np.frombuffer(data[: len(data) // 8 * 8], "<f8").astype(np.float64)
    values = values[np.isfinite(values) & (np.abs(values) < 9e36)]
    search = GridSearch(eps=2.0**-52, is_text=bool(data[-1:] > b"\x80"))
    search.add(values)
    if search.step is not None and not (search.step > 0 and math.isfinite(search.base)):
        raise ContractError(f"a grid of step {search.step}, base {search.base}")


def run_times(data: bytes, folder: Path) -> None:
    """A time column."""
    values = np.frombuffer(data[: len(data) // 8 * 8], "<f8").astype(np.float64)
    if data[-1:] > b"\x80":
        values = np.sort(values)
    if values.size:
        base = fit_timebase(values, unit_s=1e-3, place="column 0")
        if base.rate_hz is not None and not 0 < base.rate_hz < math.inf:
            raise ContractError(f"a rate of {base.rate_hz}")


def run_wav_header(data: bytes, folder: Path) -> None:
    """The chunks of a WAV file up to its samples."""
    header = read_wav_format(io.BytesIO(data), Path("capture.wav"), size=len(data))
    if header.n_bytes > len(data) or header.rate_hz <= 0:
        raise ContractError(f"more than there is: {header}")


_LEARNED = Learned(
    {"mixture": 0.5},
    {"firings": 0.9},
    {"form_burn_ms": (0.1, 0.5)},
    7,
    {look: Leaning(0.1, {"mixture": 0.2}) for look in LOOKS},
)


def run_learned(data: bytes, folder: Path) -> None:
    """Read what a bundle says it learned from confirmed cases."""
    found = read_learned(data)
    numbers = [v for leaning in found.leanings.values() for v in leaning.towards.values()]
    numbers += [*found.kind_odds.values(), *found.trust.values()]
    if not all(math.isfinite(v) for v in numbers):
        raise ContractError("a number that is none")


def run_case_file(data: bytes, folder: Path) -> None:
    """Unpack a case that someone sent; nothing may be written beside its folder."""
    with tempfile.TemporaryDirectory(dir=folder) as name:
        path, inside = Path(name) / "one.case", Path(name) / "inside"
        path.write_bytes(data)
        inside.mkdir()
        case = unpack_case(path, inside)
        if sorted(p.name for p in Path(name).iterdir()) != ["inside", "one.case"]:
            raise ContractError("a file outside of the case")
        if case.source.parent != inside:
            raise ContractError("a recording outside of the case")


def _seed_cases(folder: Path) -> Sequence[bytes]:
    """Make case files: a recording need not be one to be unpacked."""
    made = []
    for faulty in ([], [{"cylinder": 3, "type": "mixture"}]):
        truth = {"verdict": "misfire", "faulty": faulty, "recording": {"file": "recording.h5"}}
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w") as archive:
            archive.writestr(zipfile.ZipInfo("truth.json"), json.dumps(truth))
            archive.writestr(zipfile.ZipInfo("recording.h5"), b"HDF" * 40)
        made.append(buffer.getvalue())
    return made


def run_manifest(data: bytes, folder: Path) -> None:
    """The manifest of a model bundle."""
    parse_manifest(data, folder)


def run_arrays(data: bytes, folder: Path) -> None:
    """The arrays of a model bundle."""
    arrays = unpack_arrays(data, folder)
    if any(values.dtype.hasobject for values in arrays.values()):
        raise ContractError("objects in a bundle")


def run_scenario(data: bytes, folder: Path) -> None:
    """A scenario of the simulator."""
    path = folder / "scenario.toml"
    path.write_bytes(data)
    read_scenario(path)


def make_file_run(name: str, column: int | str, *, rate_hz: float | None) -> Run:
    """Make the run of one raw file through whatever reader its first bytes choose."""
    card = ChannelCard("crank", name, column, "in1", rate_hz=rate_hz)
    request = Request(card, 'job.toml: [[channel]] 1 ("in1")')

    def run(data: bytes, folder: Path) -> None:
        path = folder / name
        path.write_bytes(data)
        scratch = Scratch()
        scratch.apart = APART
        try:
            for source in open_file(path, [request], scratch, None):
                counts = source.counts
                if counts.n_samples > EMPTY_SAMPLES + MOST_SAMPLES_A_BYTE * len(data):
                    raise ContractError(f"{len(data)} bytes promise {counts.n_samples} samples")
                for start in range(0, counts.n_samples, 1 << 20):
                    counts.read(start, min(start + (1 << 20), counts.n_samples))
                numbers = (source.rate_hz, source.scale, source.offset, source.first_s)
                if any(number is not None and not math.isfinite(number) for number in numbers):
                    raise ContractError(f"numbers that are none: {numbers}")
        finally:
            scratch.apart = None  # it stays for the next input
            scratch.close()
            if APART.faults:  # refused as damaged, but in a way that the reader did not foresee
                raise ContractError(f"in the reader: {APART.faults.pop()}")
        if path.read_bytes() != data:
            raise ContractError("the input was changed")

    return run


def run_store(data: bytes, folder: Path) -> None:
    """A stored recording: opened, and every sample read."""
    path = folder / "rec.h5"
    path.write_bytes(data)
    usual, storeprobe.LIMITS = storeprobe.LIMITS, Limits(time_s=PATIENCE_S)
    try:
        recording = open_store(path)
    finally:
        storeprobe.LIMITS = usual
        if storeprobe.PROCESS.faults:
            raise ContractError(f"in the process that tries: {storeprobe.PROCESS.faults.pop()}")
    try:
        for channel in recording.channels:
            if not (0 < channel.rate_hz < math.inf and math.isfinite(channel.start_s)):
                raise ContractError(f"a rate of {channel.rate_hz}, start {channel.start_s}")
            if channel.is_levels:
                recording.read_levels(channel.name)
                continue
            if channel.n_samples > EMPTY_SAMPLES + MOST_SAMPLES_A_BYTE * len(data):
                raise ContractError(f"{len(data)} bytes promise {channel.n_samples} samples")
            for start in range(0, channel.n_samples, 1 << 20):
                recording.read(channel.name, start, min(start + (1 << 20), channel.n_samples))
    finally:
        recording.close()


def run_forged_store(data: bytes, folder: Path) -> None:
    """A stored recording whose checksums are right: the library believes what it says."""
    run_store(reseal(data), folder)


def run_catalogue(data: bytes, folder: Path) -> None:
    """The catalogue of a screened fleet."""
    for old in folder.glob(f"{CATALOGUE}*"):
        old.unlink()
    (folder / CATALOGUE).write_bytes(data)
    catalogue = Catalogue(folder)
    try:
        catalogue.read()
    finally:
        catalogue.close()


def run_folder(data: bytes, folder: Path) -> None:
    """A card and its file in one input, split at a NUL NUL, through the whole of opening."""
    card, _, raw = data.partition(b"\0\0")
    (folder / "job.toml").write_bytes(card)
    (folder / "capture.csv").write_bytes(raw)
    recording = open_raw(folder / "job.toml")
    recording.close()


def _seed_files(*kinds: str) -> Callable[[Path], Sequence[bytes]]:
    """Make short seeds of the scenarios whose names start with one of some words."""

    def make(folder: Path) -> Sequence[bytes]:
        chosen = [s for s in files.SCENARIOS if s.name.startswith(kinds)]
        whole = [scenario.make(folder / "seed.bin") for scenario in chosen]
        return [_shorten(data) for data in whole]

    return make


def _shorten(data: bytes) -> bytes:
    """Keep the head of a raw file where its format allows it: short inputs run faster."""
    return data[:3000] if data[:2] not in (b"\x89H", b"PK", b"\x1f\x8b") else data


def _seed_hdf5(folder: Path) -> Sequence[bytes]:
    """Small HDF5 files of each layout."""
    values = np.arange(64, dtype="<i2")
    layouts: list[dict[str, Any]] = [
        {},
        {"chunks": (16,)},
        {"chunks": (16,), "compression": "gzip", "shuffle": True, "fletcher32": True},
        {"chunks": (16,), "scaleoffset": 4},
    ]
    attrs = {"rate_hz": 8000.0, "scale": 0.5, "offset": 1.0, "unit": "V"}
    made = [
        files.make_hdf5(folder / f"{i}.h5", layout=layout, in1=(values, attrs))
        for i, layout in enumerate(layouts)
    ]
    for i, libver in enumerate(("latest", "v110")):
        with h5py.File(folder / f"new{i}.h5", "w", libver=libver) as file:
            file.create_dataset("in1", data=values.astype("<f4"), chunks=(16,), compression="gzip")
            file["soft"] = h5py.SoftLink("/in1")
        made.append((folder / f"new{i}.h5").read_bytes())
    return made


def _seed_stores(folder: Path, n_samples: int = 300) -> Sequence[bytes]:
    """A recording of one sampled and one logic channel, as `misfire ingest` writes it."""
    wav = files.make_wav((np.arange(n_samples) % 300 - 150).astype("<i2").reshape(-1, 1))
    (folder / "capture.wav").write_bytes(wav)
    rows = "".join(f"{i / 1000},{i % 2}\n" for i in range(12))
    (folder / "logic.csv").write_text("time,in1\n" + rows)
    job = files.write_job(
        folder,
        {"role": "coil_primary", "file": "capture.wav", "column": 0},
        {"role": "crank", "file": "logic.csv", "column": "in1"},
    )
    recording = open_raw(job)
    stored = []
    for coding in CODINGS:
        write_store(recording, folder / "rec.h5", coding=coding)
        stored.append((folder / "rec.h5").read_bytes())
    recording.close()
    return stored


def _seed_chunks(folder: Path) -> Sequence[bytes]:
    """Recordings of one chunk, and of two, in each coding."""
    return [*_seed_stores(folder), *_seed_stores(folder, 262_145)]


def _seed_catalogue(folder: Path) -> Sequence[bytes]:
    """A catalogue of two recordings."""
    catalogue = Catalogue(folder)
    for name in ("a/job.toml", "b.h5"):
        catalogue.write({"name": name, "state": "judged", "verdict": "misfire", "size": 7})
    catalogue.close()
    return [(folder / CATALOGUE).read_bytes()]


def _seed_mat(folder: Path) -> Sequence[bytes]:
    """MAT files of version 5, plain and compressed."""
    wave = np.arange(-60, 60, dtype="<i2")
    return [exports.make_mat(how, in1=wave, rate=8000.0, text="V") for how in (False, True)]


def _seed_mat73(folder: Path) -> Sequence[bytes]:
    """A MAT file of version 7.3."""
    return [exports.make_mat73(folder / "a.mat", in1=np.arange(-60, 60, dtype="<i2"))]


def _seed_parquet(folder: Path) -> Sequence[bytes]:
    """Parquet files of two codings."""
    columns = {"time": np.arange(60) / 8e3, "in1": np.arange(60, dtype="<i2")}
    return [exports.make_parquet(columns, compression=how) for how in ("NONE", "SNAPPY", "GZIP")]


def _seed_w64(folder: Path) -> Sequence[bytes]:
    """A W64 file."""
    return [exports.make_w64(np.arange(-60, 60).reshape(-1, 2))]


def _seed_sound(folder: Path) -> Sequence[bytes]:
    """Files of the sound library."""
    wave = np.arange(-600, 600).reshape(-1, 1)
    forms = ("FLAC", "PCM_16"), ("AIFF", "PCM_16"), ("AU", "PCM_16")
    return [exports.make_sound(wave, form=form, coding=coding) for form, coding in forms]


def _seed_mdf(folder: Path) -> Sequence[bytes]:
    """Measurement files, plain and compressed."""
    wave = {"in1": np.arange(-60, 60, dtype="<i2")}
    return [exports.make_mdf(folder / "a.mf4", wave, compression=how) for how in (0, 1)]


def _seed_jobs(folder: Path) -> Sequence[bytes]:
    """A job card as JSON."""
    return [format_job(parse_job_card(CARD, folder=folder, source="job.toml")).encode()]


def _seed_texts(folder: Path) -> Sequence[bytes]:
    """Heads of text files."""
    made = [data for data in _seed_files("csv", "tsv", "logic")(folder) if data[:1] != b"\x1f"]
    return [data[:600] for data in made] + [
        b"Zeit;K1\n(ms);(V)\n\n0,0;1,5\n0,1;1,6\n0,2;1,4\n",
        b"sample rate: 1000\nin1\n1\n2\nOL\n4\n",
        b'"t","x"\n"0,1","2"\n"0,2","3"\n',
    ]


def _seed_arrays(folder: Path) -> Sequence[bytes]:
    """Archives of arrays."""
    numbers = np.linspace(0, 1, 12)
    return [
        files.make_npz(a=numbers, b=np.arange(5, dtype="<i4")),
        files.make_npz(False, a=numbers),
    ]


def _seed_manifest(folder: Path) -> Sequence[bytes]:
    """The form of a manifest, short."""
    lists = {k: ["a"] for k in ("event_columns", "cylinder_columns")}
    manifest = {"schema": "misfire-model/2", "features_version": 1, "constants_sha256": "00"}
    manifest |= lists | {"sha256": {"trees.npz": "00"}}
    return [json.dumps(manifest).encode()]


def _seed_floats(folder: Path) -> Sequence[bytes]:
    """Numbers on a grid, evenly spaced times, and numbers of all sizes."""
    rng = np.random.default_rng(5)
    sets = (
        np.arange(16) * 0.0048828125,
        np.arange(16) * 1e-3,
        rng.normal(size=12),
        10.0 ** rng.uniform(-320, 308, 12),
        np.array([0.0, -0.0, 5e-324, 1.7e308, np.nan, np.inf]),
    )
    return [values.astype("<f8").tobytes() + end for values in sets for end in (b"", b"\xff")]


_CSV = b"time,in1\ns,V\n" + b"".join(b"%.4f,%d\n" % (i / 1e4, i % 7) for i in range(40))
_SIMPLE = files.ENGINE.encode() + b'\n[[channel]]\nrole="crank"\nfile="capture.csv"\ncolumn="in1"\n'
_TEXT_TOKENS = (
    *b", ; \t . e E+5 NaN OL inf -inf #N/A \" ' time (ms) 1e999 -".split(),
    b"\n",
    b"\r",
)
_NPY_TOKENS = (*_BINARY_TOKENS, b"'O'", b"'<f8'", b"(1,)", b"-1", b"(" * 99, b"-" * 999, b"1" * 40)

TARGETS: dict[str, Target] = {
    target.name: target
    for target in (
        Target("job card", run_job_card, lambda f: [CARD.encode(), _SIMPLE], _TOML_TOKENS, 4),
        Target("job in a recording", run_job_json, _seed_jobs, _TOML_TOKENS, 6),
        Target("scenario", run_scenario, lambda f: [b"seed = 4\n[engine]\nidle_rpm = 700\n"], _TOML_TOKENS, 2),
        Target("text layout", run_layout, _seed_texts, _TEXT_TOKENS, 4),
        Target("chunk", run_chunk, lambda f: [b"\x40\0" + pack(np.arange(64, dtype=np.int16))], (), 8),
        Target("numbers", run_numbers, _seed_floats, _BINARY_TOKENS, 4),
        Target("times", run_times, _seed_floats, _BINARY_TOKENS, 6),
        Target("WAV header", run_wav_header, _seed_files("wav"), (*_BINARY_TOKENS, b"data", b"ds64", b"fmt "), 8),
        Target("manifest", run_manifest, _seed_manifest, _TOML_TOKENS, 6),
        Target("bundle arrays", run_arrays, _seed_arrays, _NPY_TOKENS, 3),
        Target("WAV", make_file_run("a.wav", 0, rate_hz=None), _seed_files("wav"), _BINARY_TOKENS, 2),
        Target("NPY", make_file_run("a.npy", 0, rate_hz=8e3), _seed_files("npy"), _NPY_TOKENS, 2),
        Target("NPZ", make_file_run("a.npz", "in1", rate_hz=8e3), _seed_files("npz"), _NPY_TOKENS, 1),
        Target("text", make_file_run("a.csv", 1, rate_hz=None), lambda f: [_CSV, *_seed_texts(f)], _TEXT_TOKENS, 1),
        Target("HDF5", make_file_run("a.h5", "in1", rate_hz=8e3), _seed_hdf5, _BINARY_TOKENS, 1),
        Target("recording", run_store, _seed_stores, _BINARY_TOKENS, 0.5),
        Target("forged recording", run_forged_store, _seed_chunks, _BINARY_TOKENS, 1),
        Target("W64", make_file_run("a.w64", 0, rate_hz=None), _seed_w64, _BINARY_TOKENS, 1),
        Target("MAT 5", make_file_run("a.mat", "in1", rate_hz=8e3), _seed_mat, _BINARY_TOKENS, 0.5),
        Target("MAT 7.3", make_file_run("a.mat", "in1", rate_hz=8e3), _seed_mat73, _BINARY_TOKENS, 0.5),
        Target("Parquet", make_file_run("a.parquet", "in1", rate_hz=8e3), _seed_parquet, _BINARY_TOKENS, 0.5),
        Target("case file", run_case_file, _seed_cases, _BINARY_TOKENS, 1),
        Target("learned", run_learned, lambda f: [write_learned(_LEARNED)], _TOML_TOKENS, 4),
        Target("catalogue", run_catalogue, _seed_catalogue, _BINARY_TOKENS, 0.3),
        Target("sound", make_file_run("a.flac", 0, rate_hz=None), _seed_sound, _BINARY_TOKENS, 0.5, "soundfile"),
        Target("MDF", make_file_run("a.mf4", "in1", rate_hz=None), _seed_mdf, _BINARY_TOKENS, 0.5, "asammdf"),
        Target("card and file", run_folder, lambda f: [_SIMPLE + b"\0\0" + _CSV], _TEXT_TOKENS, 0.5),
    )
}  # fmt: skip


def read_corpus(target: Target) -> list[bytes]:
    """Read the inputs of a target that are kept in the tree."""
    folder = CORPUS / target.name.replace(" ", "_")
    return [path.read_bytes() for path in sorted(folder.glob("*.bin"))]


def gather_seeds(target: Target) -> list[bytes]:
    """Give the corpus and the made seeds of a target."""
    if target.needs and importlib.util.find_spec(target.needs) is None:
        return list(read_corpus(target)) or [b"fLaC"]
    with tempfile.TemporaryDirectory() as folder:
        return list(itertools.chain(read_corpus(target), target.seeds(Path(folder))))
