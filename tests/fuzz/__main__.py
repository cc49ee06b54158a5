"""A long pass of fuzzing over all targets, in this process, counted.

    .venv/bin/python -m tests.fuzz --minutes 60 --report fuzz.json
    .venv/bin/python -m tests.fuzz --target WAV --runs 100000 --seed 7

Every input must end in a result or one MisfireError, within its time and memory. What breaks that
is kept in --failures as a file, said on standard output, and makes the status 1; the pass goes on.
Counts are added to those already in --report, so that several passes make one sum. With
`--guided TARGET` the coverage-guided fuzzer atheris is used for one target, where it is installed.
"""

import argparse
import collections
import hashlib
import json
import random
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from pathlib import Path
from types import FrameType
from typing import Any

from tests.fuzz.mutation import mutate
from tests.fuzz.targets import TARGETS, Target, execute, gather_seeds

ROOM = 2 << 30  # bytes of address space beyond what is in use at the start
BATCH = 20  # executions of one target between two choices
SHARED = Path("/dev/shm")  # memory, where the system has it: files are written for each input


class HangError(Exception):
    """An execution took too long."""


def _ring(number: int, frame: FrameType | None) -> None:
    """Break off an execution that hangs."""
    raise HangError("took too long")


def _limit_memory() -> None:
    """Let a promise of 2^60 samples fail at once instead of filling the machine."""
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + ROOM,) * 2)


class Pass:
    """One pass: its counts, and the failures it met."""

    def __init__(self, failures: Path, folder: Path, seed: int) -> None:
        """Start with nothing counted."""
        self.failures, self.folder = failures, folder
        self.rng = random.Random(seed)
        self.runs: collections.Counter[str] = collections.Counter()
        self.results: collections.Counter[str] = collections.Counter()
        self.seconds: collections.Counter[str] = collections.Counter()
        self.broken: dict[str, str] = {}

    def run(self, target: Target, data: bytes) -> None:
        """Execute one input; keep it if it breaks the contract."""
        self.runs[target.name] += 1
        signal.setitimer(signal.ITIMER_REAL, target.longest_s)
        try:
            self.results[target.name] += execute(target, data, self.folder)
        except Exception as error:  # noqa: BLE001 - any exception at all is what is looked for
            last = traceback.extract_tb(error.__traceback__)[-1]
            place = f"{target.name}: {type(error).__name__} at {last.filename}:{last.lineno}"
            if place not in self.broken:
                self.broken[place] = str(error)[:200]
                self.failures.mkdir(parents=True, exist_ok=True)
                name = f"{target.name.replace(' ', '_')}-{hashlib.sha256(data).hexdigest()[:12]}"
                (self.failures / f"{name}.bin").write_bytes(data)
                print(f"VIOLATION {place}: {str(error)[:200]} ({name}.bin)", flush=True)
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)

    def save(self, report: Path) -> dict[str, Any]:
        """Add the counts to a report."""
        old = json.loads(report.read_text()) if report.is_file() else {}
        table = old.get("targets", {})
        for name, n_runs in self.runs.items():
            row = table.setdefault(name, {"executions": 0, "results": 0, "seconds": 0.0})
            row["executions"] += n_runs
            row["results"] += self.results[name]
            row["seconds"] = round(row["seconds"] + self.seconds[name], 1)
        document = {
            "executions": sum(row["executions"] for row in table.values()),
            "violations": {**old.get("violations", {}), **self.broken},
            "targets": table,
        }
        report.write_text(json.dumps(document, indent=1) + "\n")
        self.runs.clear()
        self.results.clear()
        self.seconds.clear()
        return document


def run_guided(target: Target, folder: Path, n_runs: int) -> None:
    """Hand one target to atheris; it ends the process itself."""
    import atheris

    corpus = folder / "corpus"
    corpus.mkdir()
    for number, data in enumerate(gather_seeds(target)):
        (corpus / f"{number}").write_bytes(data)
    place = folder / "place"
    place.mkdir()
    atheris.instrument_all()
    atheris.Setup(
        [sys.argv[0], f"-runs={n_runs}", "-max_len=20000", str(corpus)],
        lambda data: execute(target, data, place),
    )
    atheris.Fuzz()


def main() -> int:
    """Run one pass; 1 if anything broke the contract."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--runs", type=int, default=0, help="stop after so many, 0: by time only")
    parser.add_argument("--target", action="append", choices=sorted(TARGETS))
    parser.add_argument("--seed", type=int, default=None, help="default: another each time")
    parser.add_argument("--report", type=Path, default=Path("fuzz.json"))
    parser.add_argument("--failures", type=Path, default=Path("fuzz-failures"))
    parser.add_argument("--guided", choices=sorted(TARGETS))
    given = parser.parse_args()
    warnings.simplefilter("error")
    warnings.simplefilter("ignore", DeprecationWarning)  # of the libraries
    parent = SHARED if SHARED.is_dir() else None
    with tempfile.TemporaryDirectory(prefix="fuzz-", dir=parent) as place:
        tempfile.tempdir = place
        folder = Path(place) / "input"
        folder.mkdir()
        if given.guided:
            run_guided(TARGETS[given.guided], folder, given.runs or 100_000)
        seed = given.seed if given.seed is not None else random.SystemRandom().randrange(1 << 32)
        print(f"seed {seed}", flush=True)
        chosen = [TARGETS[name] for name in given.target or TARGETS]
        seeds = {target.name: gather_seeds(target) for target in chosen}
        one = Pass(given.failures, folder, seed)
        signal.signal(signal.SIGALRM, _ring)
        for target in chosen:
            for data in seeds[target.name]:
                one.run(target, data)
        _limit_memory()
        stop = time.monotonic() + 60 * given.minutes
        told = time.monotonic()
        n_done = 0
        while time.monotonic() < stop and not 0 < given.runs <= n_done:
            # the target that has had the least of its share of time comes next
            target = min(chosen, key=lambda t: one.seconds[t.name] / t.weight)
            start = time.monotonic()
            for _ in range(BATCH):
                one.run(target, mutate(seeds[target.name], target.tokens, one.rng))
            n_done += BATCH
            one.seconds[target.name] += time.monotonic() - start
            if time.monotonic() - told > 60:
                told = time.monotonic()
                total = one.save(given.report)["executions"]
                print(f"{total} executions, {len(one.broken)} violations", flush=True)
        document = one.save(given.report)
    for name, row in document["targets"].items():
        print(f"{name:20} {row['executions']:>10} executions, {row['results']:>9} results")
    print(f"{document['executions']} executions, {len(document['violations'])} violations")
    return 1 if one.broken else 0


if __name__ == "__main__":
    sys.exit(main())
