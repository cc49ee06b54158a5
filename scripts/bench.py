"""How fast and how frugal is the main job, against a plain read of the same file.

Tiles a short recording to the wanted lengths, block by block, and runs `misfire diagnose` on each
in a process of its own. All rates come from the same run on the same file, so that the ratios mean
something on any machine; other work on the machine at the same time spoils even those:

    .venv/bin/python scripts/bench.py --minutes 1 10 60
    .venv/bin/python scripts/bench.py --gigabytes 2 --form store wav -o bench.json

The form `uncoded` is a stored recording as `misfire ingest --coding none` writes it.

`plain_read_s` is one thread reading every sample with h5py (a stored recording) or from the file
(WAV), which then is in memory. No job can do without loading the program and its model (`start_s`)
and the SHA-256 of raw files that the result carries (`hash_s`, one thread); `least_to_plain` is the
ratio that these alone would give, with a plain read in place of a hash that need not be computed.
With `--cold`, where the system lets go of files in memory on request, plain read and job are
measured once more from the disk, as on the first run with last month's recording: `cold_read_s`,
`cold_diagnose_s`.

`stages` are the shares of a second run's time. `naive_s` is what scripts/naive_peer.py takes; it
holds whole channels in memory, so of a recording too long for that it is given `naive_part` of it,
and its seconds are divided by that. `cpu_s` are seconds of processors, which other work on the
machine disturbs less. `grown` is what the time grew by since the line before of the same form, for
each time that the recording grew.
"""

import argparse
import hashlib
import json
import math
import os
import shutil
import struct
import subprocess
import sys
import tempfile
import time
import tomllib
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from misfire.align.packing import pack
from misfire.resources import find_resource

ROOT = Path(__file__).resolve().parent.parent
BLOCK = 1 << 20  # samples in memory at a time, here and in the plain read
VERSIONS = ("v110", "v110")  # of the file format, as misfire writes it
LONGEST_NAIVE = 1e8  # samples of a channel: some 3 GB in that script
STAGES = """
import json, sys, time
marks = [(time.perf_counter(), "start")]
from pathlib import Path
from misfire.diagnosis.chain import diagnose
marks.append((time.perf_counter(), "opening"))
mark = lambda stage, part: marks.append((time.perf_counter(), stage))
done = diagnose(sys.argv[1], progress=mark)
marks.append((time.perf_counter(), "writing"))
from misfire.report.diagnosis.files import write_reports
write_reports(done, Path(sys.argv[2]))
marks.append((time.perf_counter(), ""))
print(json.dumps(marks))
"""
START = """
from misfire.diagnosis.chain import diagnose
from misfire.diagnosis.shipped import load_shipped
from misfire.report.diagnosis.files import write_reports
load_shipped()
"""
QUIET = {**os.environ, "OMP_NUM_THREADS": "1"}
QUIET.pop("PYTHONDONTWRITEBYTECODE", None)  # what is installed is not compiled at every start


def run_measured(command: list[str]) -> dict[str, Any]:
    """Run a command: seconds, those of processors and peak memory (None where not told)."""
    start = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=QUIET)
    peak_mb = cpu_s = None
    if hasattr(os, "wait4"):
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        peak_mb = usage.ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)
        cpu_s = usage.ru_utime + usage.ru_stime
    process.wait()
    seconds = time.perf_counter() - start
    if process.returncode:
        sys.exit(f"bench: {' '.join(map(str, command))} left with status {process.returncode}")
    return {"seconds": seconds, "cpu_s": cpu_s, "peak_mb": peak_mb}


def list_sampled(file: h5py.File) -> dict[str, h5py.Dataset]:
    """List the sampled channels of a stored recording."""
    return dict(file["channels"].items())


def choose_period(file: h5py.File) -> float:
    """Choose the longest stretch, in seconds, that is a whole number of samples everywhere."""
    rates = [float(d.attrs["rate_hz"]) for d in list_sampled(file).values()]
    shortest = min(d.size / r for d, r in zip(list_sampled(file).values(), rates, strict=True))
    common = math.gcd(*(round(rate) for rate in rates))
    return math.floor(shortest * common) / common


def tile_store(source: Path, target: Path, *, n_copies: int) -> float:
    """Write a stored recording that repeats another one, block by block; give its seconds."""
    with h5py.File(source, "r") as old, h5py.File(target, "w", libver=VERSIONS) as new:
        period_s = choose_period(old)
        new.attrs.update(old.attrs)
        for name, part in old.items():
            if isinstance(part, h5py.Dataset):
                old.copy(part, new, name)
            else:
                new.create_group(name)
        for name, dataset in list_sampled(old).items():
            n = round(period_s * float(dataset.attrs["rate_hz"]))
            chunk = min(dataset.chunks[0], n * n_copies)
            copy = new["channels"].create_dataset(
                name,
                shape=(n * n_copies,),
                dtype=dataset.dtype,
                chunks=(chunk,),
                compression=dataset.compression,
                compression_opts=dataset.compression_opts,
                shuffle=dataset.shuffle,
            )
            once = dataset[:n]
            for start in range(0, copy.size, chunk):
                counts = np.take(once, np.arange(start, start + chunk), mode="wrap")
                counts[copy.size - start :] = 0
                copy.id.write_direct_chunk((start,), pack(counts))
            copy.attrs.update(dataset.attrs)
        for name, dataset in old["levels"].items():
            levels = dataset[:]
            levels = levels[levels["time_s"] < period_s]
            copies = np.tile(levels, n_copies)
            copies["time_s"] += np.repeat(np.arange(n_copies) * period_s, levels.size)
            copy = new["levels"].create_dataset(name, data=copies)
            copy.attrs.update(dataset.attrs)
    return period_s * n_copies


def format_toml(table: dict[str, Any], *, prefix: str = "") -> str:
    """Write the tables of a job card (values, tables, lists of tables)."""
    lines, below = [], []
    for key, value in table.items():
        if isinstance(value, dict):
            below.append(f"\n[{prefix}{key}]\n{format_toml(value, prefix=f'{prefix}{key}.')}")
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            below += [f"\n[[{prefix}{key}]]\n{format_toml(row)}" for row in value]
        else:
            lines.append(f"{key} = {json.dumps(value)}\n")  # JSON's scalars and lists are TOML's
    return "".join(lines + below)


def write_wav(store: Path, folder: Path) -> Path:
    """Write the sampled channels of a stored recording as one RF64/WAV file and its job card."""
    with h5py.File(store, "r") as file:
        sampled = list_sampled(file)
        rate = float(next(iter(sampled.values())).attrs["rate_hz"])
        chosen = {k: d for k, d in sampled.items() if float(d.attrs["rate_hz"]) == rate}
        n, width = min(d.size for d in chosen.values()), 2 * len(chosen)
        size = n * width
        form = struct.pack("<HHIIHH", 1, len(chosen), round(rate), round(rate) * width, width, 16)
        with (folder / "tiled.wav").open("wb") as out:  # EBU Tech 3306: RF64 with a ds64 chunk
            out.write(b"RF64" + struct.pack("<I", 0xFFFFFFFF) + b"WAVE")
            out.write(b"ds64" + struct.pack("<IQQQI", 28, size + 72, size, n, 0))
            out.write(b"fmt " + struct.pack("<I", len(form)) + form)
            out.write(b"data" + struct.pack("<I", 0xFFFFFFFF))
            for start in range(0, n, BLOCK):
                stop = min(n, start + BLOCK)
                out.write(np.stack([d[start:stop] for d in chosen.values()], axis=1).tobytes())
        card = tomllib.loads(file["job_card"].asstr()[()])
        card["channel"] = [
            {
                "role": str(d.attrs["role"]),
                "file": "tiled.wav",
                "column": column,
                "name": name,
                "unit": str(d.attrs["unit"]),
                "scale": float(d.attrs["scale"]),
                "offset": float(d.attrs["offset"]),
            }
            | ({"cylinders": c} if (c := np.atleast_1d(d.attrs["cylinders"]).tolist()) else {})
            for column, (name, d) in enumerate(chosen.items())
        ]
    path = folder / "job.toml"
    path.write_text(format_toml(card), encoding="utf-8")
    return path


def read_plainly(path: Path, *, n_times: int = 2) -> tuple[float, int]:
    """Read every sample once, block by block: best seconds of some times, number of samples."""
    best, n_samples = math.inf, 0
    buffer = np.empty(BLOCK, np.int16)
    for _ in range(n_times):
        start, n_samples = time.perf_counter(), 0
        if path.suffix == ".wav":
            with path.open("rb") as file:
                while n := file.readinto(memoryview(buffer).cast("B")):
                    n_samples += n // 2
        else:
            with h5py.File(path, "r") as file:
                for dataset in list_sampled(file).values():
                    for at in range(0, dataset.size, BLOCK):
                        n = min(BLOCK, dataset.size - at)
                        dataset.read_direct(buffer, np.s_[at : at + n], np.s_[:n])
                        n_samples += n
        best = min(best, time.perf_counter() - start)
    return best, n_samples


def drop_from_memory(path: Path) -> None:
    """Ask the system to let go of what it keeps of a file in memory."""
    with path.open("rb") as file:
        os.fsync(file.fileno())
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def measure_cold(raw: Path, command: list[str]) -> dict[str, float]:
    """Measure plain read and job, each with nothing of the file in memory."""
    drop_from_memory(raw)
    plain_s, _ = read_plainly(raw, n_times=1)
    drop_from_memory(raw)
    job = run_measured(command)
    return {
        "cold_read_s": round(plain_s, 3),
        "cold_diagnose_s": round(job["seconds"], 3),
        "cold_diagnose_to_plain": round(job["seconds"] / plain_s, 2),
    }


def measure_least(raw: Path, plain_s: float) -> dict[str, float]:
    """Measure what no job can do without: loading the program, and the hash of a raw file."""
    command = [sys.executable, "-c", START]
    start_s = min(run_measured(command)["seconds"] for _ in range(2))
    if raw.suffix != ".wav":  # a stored recording carries its hash
        least_s = start_s + plain_s
        return {"start_s": round(start_s, 3), "least_to_plain": round(least_s / plain_s, 2)}
    begin = time.perf_counter()
    with raw.open("rb") as file:
        hashlib.file_digest(file, "sha256")
    hash_s = time.perf_counter() - begin
    return {
        "start_s": round(start_s, 3),
        "hash_s": round(hash_s, 3),
        "least_to_plain": round((start_s + hash_s) / plain_s, 2),
    }


def share_stages(target: Path, out: Path) -> dict[str, float]:
    """Run the main job once more; give the share of each stage in its time."""
    command = [sys.executable, "-c", STAGES, str(target), str(out)]
    done = subprocess.run(command, stdout=subprocess.PIPE, env=QUIET, check=True)
    marks = json.loads(done.stdout)
    total_s = marks[-1][0] - marks[0][0]
    shares: dict[str, float] = {}
    for (start, stage), (stop, _) in zip(marks, marks[1:], strict=False):
        shares[stage] = shares.get(stage, 0.0) + (stop - start) / total_s
    return {stage: round(share, 3) for stage, share in shares.items()}


def measure(
    folder: Path,
    seconds_long: float,
    *,
    form: str,
    naive: tuple[Path, float] | None,
    is_cold: bool = False,
) -> dict[str, Any]:
    """Measure the plain read of a tiled recording, the main job and the naive script.

    `naive` is the stored recording that the naive script is given, and the part that it is.
    """
    store = folder / "tiled.h5"
    target, raw = store, store
    if form == "wav":
        target, raw = write_wav(store, folder), folder / "tiled.wav"
    elif form == "uncoded":
        target = raw = folder / "uncoded.h5"
        command = [sys.executable, "-m", "misfire", "ingest", str(write_wav(store, folder))]
        run_measured([*command, "--quiet", "--coding", "none", "-o", str(target)])
        (folder / "tiled.wav").unlink()
    plain_s, n_samples = read_plainly(raw)
    command = [sys.executable, "-m", "misfire", "diagnose", str(target), "--quiet"]
    command += ["-o", str(folder / "out")]
    least = measure_least(raw, plain_s)
    job = run_measured(command)
    row = {
        "form": form,
        "recording_s": round(seconds_long, 3),
        "samples": n_samples,
        "file_mb": round(raw.stat().st_size / 1e6, 1),
        "plain_read_s": round(plain_s, 6),
        "diagnose_s": round(job["seconds"], 3),
        "cpu_s": job["cpu_s"] and round(job["cpu_s"], 3),
        "diagnose_msamples_per_s": round(n_samples / job["seconds"] / 1e6, 2),
        "diagnose_to_plain": round(job["seconds"] / plain_s, 2),
        **least,
        "times_real_time": round(seconds_long / job["seconds"], 1),
        "peak_mb": job["peak_mb"] and round(job["peak_mb"], 1),
        "stages": share_stages(target, folder / "again"),
        "report_kb": round((folder / "out" / "report.html").stat().st_size / 1e3, 1),
    }
    if is_cold:
        row |= measure_cold(raw, command)
    if naive is not None:
        script = str(ROOT / "scripts" / "naive_peer.py")
        peer = run_measured([sys.executable, script, str(naive[0])])
        row["naive_part"] = round(naive[1], 4)
        row["naive_s"] = round(peer["seconds"] / naive[1], 3)
        row["naive_cpu_s"] = peer["cpu_s"] and round(peer["cpu_s"] / naive[1], 3)
        row["naive_to_diagnose"] = round(row["naive_s"] / row["diagnose_s"], 2)
        row["naive_peak_mb"] = peer["peak_mb"] and round(peer["peak_mb"], 1)
    return row


def parse_arguments() -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument(
        "--source", type=Path, help="job card or stored recording; default: the bundled one"
    )
    size = parser.add_mutually_exclusive_group()
    size.add_argument("--minutes", type=float, nargs="+", default=[1.0], help="lengths")
    size.add_argument("--gigabytes", type=float, nargs="+", help="sizes, as int16 samples")
    parser.add_argument(
        "--form",
        choices=("store", "wav", "uncoded"),
        nargs="+",
        default=["store"],
        help="kinds of file",
    )
    parser.add_argument("--no-naive", action="store_true", help="leave out the naive script")
    if hasattr(os, "posix_fadvise"):
        parser.add_argument("--cold", action="store_true", help="measure from the disk as well")
    parser.set_defaults(cold=False)
    parser.add_argument("--folder", type=Path, help="where to put the recordings (a scratch disk)")
    parser.add_argument("-o", "--out", type=Path, help="write the rows as JSON")
    return parser.parse_args()


def main() -> None:
    """Measure each size and print a line for it."""
    asked = parse_arguments()
    origin = asked.source or find_resource("data_demo") / "job.toml"
    rows = []
    with tempfile.TemporaryDirectory(dir=asked.folder, prefix="misfire-bench-") as name:
        folder = Path(name)
        source = folder / "source.h5"
        if origin.suffix == ".toml":
            command = [sys.executable, "-m", "misfire", "ingest", str(origin), "--quiet"]
            run_measured([*command, "-o", str(source)])
        else:
            shutil.copyfile(origin, source)
        with h5py.File(source, "r") as file:
            period_s = choose_period(file)
            rates_hz = [float(d.attrs["rate_hz"]) for d in list_sampled(file).values()]
            rate, highest_hz = sum(rates_hz), max(rates_hz)
        lengths_s = [60 * minutes for minutes in asked.minutes]
        if asked.gigabytes:
            lengths_s = [gigabytes * 1e9 / 2 / rate for gigabytes in asked.gigabytes]
        for length_s in lengths_s:
            n_copies = max(1, round(length_s / period_s))
            seconds_long = tile_store(source, folder / "tiled.h5", n_copies=n_copies)
            naive = None
            if not asked.no_naive:
                naive = folder / "tiled.h5", 1.0
                n_naive = max(1, min(n_copies, int(LONGEST_NAIVE / (period_s * highest_hz))))
                if n_naive < n_copies:
                    tile_store(source, folder / "naive.h5", n_copies=n_naive)
                    naive = folder / "naive.h5", n_naive / n_copies
            for form in asked.form:
                row = measure(folder, seconds_long, form=form, naive=naive, is_cold=asked.cold)
                before = [old for old in rows if old["form"] == form][-1:]
                for old in before:
                    longer = row["recording_s"] / old["recording_s"]
                    row["grown"] = round(row["diagnose_s"] / old["diagnose_s"] / longer, 3)
                print("  ".join(f"{key} {value}" for key, value in row.items()), flush=True)
                rows.append(row)
    if asked.out:
        part = asked.out.with_suffix(".part")
        part.write_text(json.dumps({"schema": "misfire-bench/1", "rows": rows}, indent=2) + "\n")
        part.replace(asked.out)


if __name__ == "__main__":
    main()
