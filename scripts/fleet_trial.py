"""Trial of `misfire screen` in full size: good and bad recordings, kills, workers, a cluster.

    .venv/bin/python scripts/fleet_trial.py FOLDER [--count 500] [--steps build,plain,kill]

Builds COUNT short simulated recordings in FOLDER/in, ten of which are spoiled in different ways,
screens them undisturbed with one worker, then killed five times at random and resumed, then with
two workers, then on a dask cluster of two workers of which one is killed, and compares all final
bytes. Prints one line of JSON per step and leaves with 1 if something does not hold.
"""

from __future__ import annotations

import argparse
import gzip
import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}
N_BAD = 10
TIME_LIMIT_S = 25.0
STEPS = "build,plain,kill,two,cluster"


def make_scenario(number: int) -> object:
    """Draw a short recording at a low rate; every third vehicle has a fault, some a history."""
    from misfire.simulate.scenario import FaultModel, InstrumentModel, Scenario

    rng = random.Random(number)
    kinds = ("open_secondary", "mixture", "weak_coil", "low_compression", "no_primary")
    fault = ()
    if number % 3 == 0:
        fault = (
            FaultModel(
                type=rng.choice(kinds),
                cylinder=rng.randint(1, 4),
                rate=rng.choice((0.05, 0.3, 1.0)),
                pattern="random",
            ),
        )
    return Scenario(
        seed=number,
        duration_s=5.0,
        vehicle=f"fleet-{number // 2:04d}" if number % 10 == 1 else f"fleet-{number:04d}",
        instrument=(InstrumentModel(rate_hz=20e3),),
        fault=fault,
    )


def build(folder: Path, count: int) -> None:
    """Simulate the recordings and spoil ten."""
    from misfire.simulate.recording import simulate
    from misfire.simulate.writer import write_recording

    for number in range(count - N_BAD):
        write_recording(simulate(make_scenario(number)), folder / f"bay {number % 7}" / f"{number}")
    good = folder / "bay 1" / "1"
    for name, spoil in BAD.items():
        place = folder / "bay 3" / f"bad {name}"
        shutil.copytree(good, place)
        spoil(place)


def _replace(place: Path, old: str, new: str) -> None:
    """Change a job card."""
    card = place / "job.toml"
    card.write_text(card.read_text("utf-8").replace(old, new), "utf-8")


def _no_toml(place: Path) -> None:
    (place / "job.toml").write_text("[vehicle\nid = ", "utf-8")


def _wrong_role(place: Path) -> None:
    _replace(place, 'role = "crank"', 'role = "crankshaft"')


def _lost_file(place: Path) -> None:
    (place / "capture.wav").unlink()


def _no_card(place: Path) -> None:
    (place / "job.toml").unlink()


def _empty(place: Path) -> None:
    (place / "capture.wav").write_bytes(b"")


def _half_header(place: Path) -> None:
    capture = place / "capture.wav"
    capture.write_bytes(capture.read_bytes()[:30])


def _cut_store(place: Path) -> None:
    from misfire.diagnosis.chain import ingest

    ingest(place / "job.toml", place / "rec.h5")
    content = (place / "rec.h5").read_bytes()
    (place / "rec.h5").write_bytes(content[: len(content) // 2])
    for name in ("job.toml", "capture.wav"):
        (place / name).unlink()


def _foreign_store(place: Path) -> None:
    import h5py

    with h5py.File(place / "log.h5", "w") as file:
        file["temperature"] = [1.0, 2.0, 3.0]
    for name in ("job.toml", "capture.wav"):
        (place / name).unlink()


def _letters(place: Path) -> None:
    (place / "capture.wav").unlink()
    (place / "capture.csv").write_text("lorem ipsum\n" * 500, "utf-8")
    _replace(place, "capture.wav", "capture.csv")


def _endless(place: Path) -> None:
    """Write a small file that unpacks to hundreds of millions of rows: the time limit ends it."""
    (place / "capture.wav").unlink()
    with gzip.open(place / "capture.csv.gz", "wb", compresslevel=9) as file:
        block = b"".join(b"%d,%d,%d\n" % (i % 7, i % 5, i % 3) for i in range(200_000))
        for _ in range(1500):
            file.write(block)
    _replace(place, "capture.wav", "capture.csv.gz")
    _replace(place, 'unit = "V"', 'unit = "V"\nrate_hz = 20000.0')
    _replace(place, 'unit = "A"', 'unit = "A"\nrate_hz = 20000.0')


BAD = {
    "toml": _no_toml,
    "role": _wrong_role,
    "lost file": _lost_file,
    "no card": _no_card,
    "empty": _empty,
    "half header": _half_header,
    "cut store": _cut_store,
    "foreign store": _foreign_store,
    "letters": _letters,
    "endless": _endless,
}


def start(folder: Path, out: Path, *options: str) -> subprocess.Popen[bytes]:
    """Start a screening."""
    command = [sys.executable, "-m", "misfire", "screen", str(folder), "-o", str(out), "--json"]
    return subprocess.Popen(
        [*command, "--time-limit", str(TIME_LIMIT_S), "-q", *options],
        env=ENVIRONMENT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def finish(process: subprocess.Popen[bytes]) -> dict:
    """Wait for a screening and give its document."""
    out, err = process.communicate()
    if process.returncode:
        raise SystemExit(f"screen left with {process.returncode}: {err.decode()[-2000:]}")
    return json.loads(out)


def sum_up(out: Path) -> str:
    """Hash every final file: path and bytes. Catalogue and lock tell of the run, not the fleet."""
    digest = hashlib.sha256()
    for path in sorted(p for p in out.rglob("*") if p.is_file()):
        name = path.relative_to(out).as_posix()
        if not name.startswith(("catalogue.sqlite", "lock")):
            content = hashlib.sha256(path.read_bytes()).hexdigest()
            digest.update(f"{name} {content}\n".encode())
    return digest.hexdigest()


def measure_machine(n: int) -> float:
    """Time n processes that only count, side by side: what the machine has to give just now."""
    code = "s=0\nfor i in range(12_000_000): s+=i"
    started = time.perf_counter()
    for process in [subprocess.Popen([sys.executable, "-c", code]) for _ in range(n)]:
        process.wait()
    return time.perf_counter() - started


def run_plain(folder: Path, out: Path, workers: int) -> dict:
    """Screen undisturbed."""
    shutil.rmtree(out, ignore_errors=True)
    before = measure_machine(1), measure_machine(2)
    started = time.perf_counter()
    document = finish(start(folder, out, "--workers", str(workers)))
    seconds = time.perf_counter() - started
    return {
        "step": f"{workers} worker(s)",
        "counts": document["counts"],
        "failed": {f["name"]: f"{f['code']}: {f['reason']}" for f in document["failed"]},
        "seconds": round(seconds, 1),
        "machine gives two processes": round(2 * before[0] / before[1], 2),
        "bytes": sum_up(out),
    }


def run_killed(folder: Path, out: Path, count: int, seed: int) -> dict:
    """Screen, killed five times at random, then to the end."""
    shutil.rmtree(out, ignore_errors=True)
    rng, done_at_kill = random.Random(seed), []
    for wanted in sorted(rng.sample(range(1, count - N_BAD), 5)):
        process = start(folder, out, "--workers", "1")
        while len(list(out.glob("results/[!.]*"))) < wanted and process.poll() is None:
            time.sleep(0.02)
        time.sleep(rng.uniform(0, 1))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        done_at_kill.append(len(list(out.glob("results/[!.]*"))))
    document = finish(start(folder, out, "--workers", "1"))
    return {
        "step": "killed",
        "done at each kill": done_at_kill,
        "judged in the last run": document["run"]["judged_now"],
        "bytes": sum_up(out),
    }


def run_cluster(folder: Path, out: Path, seconds: float) -> dict:
    """Screen on a cluster on the loopback and kill one of its two workers in the middle."""
    shutil.rmtree(out, ignore_errors=True)
    port = 18786
    address = f"tcp://127.0.0.1:{port}"
    scratch = out.parent / "dask"
    scratch.mkdir(exist_ok=True)
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": ENVIRONMENT}
    dask = [sys.executable, "-m", "dask"]
    local = ["--no-dashboard", "--host", "127.0.0.1"]
    scheduler = subprocess.Popen([*dask, "scheduler", *local, "--port", str(port)], **quiet)
    workers = [
        subprocess.Popen(
            [*dask, "worker", address, "--no-nanny", "--nthreads", "1", *local]
            + ["--local-directory", str(scratch)],
            **quiet,
        )
        for _ in range(2)
    ]
    try:
        time.sleep(6)
        started = time.perf_counter()
        process = start(folder, out, "--scheduler", address)
        wanted = 0.3 * seconds
        while time.perf_counter() - started < wanted and process.poll() is None:
            time.sleep(0.2)
        at_kill = len(list(out.glob("results/[!.]*")))
        workers[0].send_signal(signal.SIGKILL)
        document = finish(process)
        return {
            "step": "cluster",
            "results when one worker was killed": at_kill,
            "seconds": round(time.perf_counter() - started, 1),
            "counts": document["counts"],
            "bytes": sum_up(out),
        }
    finally:
        for process in (*workers, scheduler):
            process.kill()
            process.wait()


def main() -> None:
    """Run the steps asked for and compare."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--steps", default=STEPS)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    steps, place = options.steps.split(","), options.folder
    folder = place / "in"
    if "build" in steps:
        shutil.rmtree(folder, ignore_errors=True)
        started = time.perf_counter()
        build(folder, options.count)
        print(json.dumps({"step": "build", "seconds": round(time.perf_counter() - started, 1)}))
    before = sum_up(folder)
    results, wrong = [], []
    for step in steps:
        if step in ("plain", "two"):
            results.append(run_plain(folder, place / step, 1 if step == "plain" else 2))
        elif step == "kill":
            results.append(run_killed(folder, place / step, options.count, options.seed))
        elif step == "cluster":
            seconds = next((r["seconds"] for r in results if "seconds" in r), 60.0)
            results.append(run_cluster(folder, place / step, seconds))
        else:
            continue
        print(json.dumps(results[-1]), flush=True)
    if sum_up(folder) != before:
        wrong.append("the folder of recordings was changed")
    if len({r["bytes"] for r in results}) > 1:
        wrong.append("the final bytes differ")
    for r in results:
        if "counts" in r and r["counts"]["judged"] != options.count - N_BAD:
            wrong.append(f"{r['step']}: {r['counts']['judged']} judged")
        if "counts" in r and r["counts"]["failed"] != N_BAD:
            wrong.append(f"{r['step']}: {r['counts']['failed']} failed, not {N_BAD}")
    times = {r["step"]: r["seconds"] for r in results if "worker(s)" in r["step"]}
    if len(times) == 2:
        one, two = times["1 worker(s)"], times["2 worker(s)"]
        print(json.dumps({"throughput of two over one": round(one / two, 2)}))
    print(json.dumps({"wrong": wrong}))
    if wrong:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
