"""A small fleet of simulated recordings in a folder, good and spoiled ones, for screening."""

import gzip
import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

from misfire.simulate.recording import simulate
from misfire.simulate.scenario import FaultModel, InstrumentModel, Scenario
from misfire.simulate.writer import write_recording

ROOT = Path(__file__).resolve().parents[2]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
BAD = {
    "bad card/job.toml": ("job_card", "not valid TOML"),
    "bad empty/job.toml": ("format", "is empty"),
    "bad lost/job.toml": ("format", "does not exist"),
    "bad orphan/capture.wav": ("no_card", "need a job card"),
    "bad store/rec.h5": ("format", "cannot be opened as HDF5"),
}


def make_good(folder, number, *, fault=(), vehicle=None):
    """Write one short recording at a low rate."""
    scenario = Scenario(
        seed=number,
        duration_s=3.0,
        vehicle=vehicle or f"van-{number}",
        instrument=(InstrumentModel(rate_hz=20e3),),
        fault=fault,
    )
    return write_recording(simulate(scenario), folder)


def make_fleet(folder, *, good=7):
    """Write good recordings, one of them with a dead cylinder, and the BAD ones."""
    for number in range(good):
        fault = (FaultModel(type="mixture", cylinder=3),) if number == 2 else ()
        make_good(folder / f"lane {number % 2}" / f"{number}", number, fault=fault)
    first = folder / "lane 0" / "0"
    for name in BAD:
        shutil.copytree(first, (folder / name).parent)
    (folder / "bad card/job.toml").write_text("[vehicle\n", encoding="utf-8")
    (folder / "bad empty/capture.wav").write_bytes(b"")
    (folder / "bad lost/capture.wav").unlink()
    (folder / "bad orphan/job.toml").unlink()
    (folder / "bad store/job.toml").unlink()
    (folder / "bad store/capture.wav").unlink()
    (folder / "bad store/rec.h5").write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(500))
    return folder


def make_endless(folder, number=0):
    """Write a small file that unpacks to hundreds of millions of rows."""
    card = make_good(folder, number)
    (folder / "capture.wav").unlink()
    block = b"".join(b"%d,%d,%d\n" % (i % 7, i % 5, i % 3) for i in range(100_000))
    with gzip.open(folder / "capture.csv.gz", "wb", compresslevel=1) as file:
        for _ in range(600):
            file.write(block)
    text = card.read_text("utf-8").replace("capture.wav", "capture.csv.gz")
    for unit in ("V", "A"):
        text = text.replace(f'unit = "{unit}"', f'unit = "{unit}"\nrate_hz = 20000.0')
    card.write_text(text, encoding="utf-8")
    return card


def start_screen(folder, out, *options):
    """Start the command in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "misfire", "screen", str(folder), "-o", str(out), *options],
        env=ENVIRONMENT,
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def run_screen(folder, out, *options):
    """Run the command to its end and give its JSON document."""
    process = start_screen(folder, out, "--json", "--quiet", *options)
    said, errors = process.communicate(timeout=300)
    assert process.returncode == 0, errors
    return json.loads(said)


def read_tree(folder):
    """Give path and hash of every final file; catalogue and lock tell of the run only."""
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and not p.name.startswith(("catalogue.sqlite", "lock"))
    }
