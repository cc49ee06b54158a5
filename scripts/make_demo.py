"""Check the bundled recording, or make it anew from its scenario.

python3 scripts/make_demo.py             # the shipped files are those of the registry
python3 scripts/make_demo.py --write     # simulate again; rewrites the recording and the registry

scripts/make_pictures.py draws the pictures of its report.

Run it with the Python of `.venv` (made by scripts/demo.py), or any that has the package.
"""

import argparse
import hashlib
import json
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "data_demo"
REGISTRY = FOLDER / "registry.txt"
CAPTURES = ("capture.h5", "capture_2.h5")
HOW = {
    "capture.h5": "scripts/make_demo.py --write, from scenario.toml",
    "capture_2.h5": "scripts/make_demo.py --write, from scenario.toml",
    "report.png": "scripts/make_pictures.py, from the recording",
    "timeline.png": "scripts/make_pictures.py, from the recording",
    "firing.png": "scripts/make_pictures.py, from the recording",
}


def compute_sha256(path: Path) -> str:
    """Compute the SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def read_registry() -> dict[str, str]:
    """Read the registry: SHA-256 by file name."""
    lines = [line.split(maxsplit=2) for line in REGISTRY.read_text("utf-8").splitlines()]
    return {words[0]: words[1] for words in lines if words and not words[0].startswith("#")}


def write_registry() -> None:
    """Write the registry of the files that are there."""
    lines = ["# name, sha256, how made"]
    for name, how in HOW.items():
        if (FOLDER / name).is_file():
            lines.append(f"{name} {compute_sha256(FOLDER / name)} {how}")
    REGISTRY.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def check() -> int:
    """Compare the shipped files with the registry; gives the exit status."""
    wrong = 0
    for name, wanted in read_registry().items():
        path = FOLDER / name
        good = path.is_file() and compute_sha256(path) == wanted
        print(f"{'as registered' if good else 'NOT AS REGISTERED'}: {path.relative_to(ROOT)}")
        wrong += not good
    return 1 if wrong else 0


def write() -> None:
    """Simulate the scenario and put the recording, its job card and the truth in place."""
    from misfire.simulate.recording import simulate
    from misfire.simulate.scenario_file import read_scenario
    from misfire.simulate.writer import write_recording

    sim = simulate(read_scenario(FOLDER / "scenario.toml"))
    with tempfile.TemporaryDirectory() as scratch:
        job = write_recording(sim, Path(scratch))
        for name in CAPTURES:
            pack(Path(scratch) / name, FOLDER / name)
        card = "# Made by scripts/make_demo.py from scenario.toml; an invented vehicle.\n\n"
        card += job.read_text("utf-8")
    (FOLDER / "job.toml").write_text(card, encoding="utf-8", newline="\n")
    events = sim.truth["events"]
    rows = zip(events["time_s"], events["cylinder"], events["misfire"], strict=True)
    truth = {
        "vehicle": sim.truth["vehicle"],
        "verdict": sim.truth["verdict"],
        "faulty": sim.truth["faulty"],
        "lost": [{"time_s": t, "cylinder": c} for t, c, is_lost in rows if is_lost],
    }
    text = json.dumps(truth, indent=1)
    (FOLDER / "truth.json").write_text(text + "\n", encoding="utf-8", newline="\n")


def pack(source: Path, target: Path) -> None:
    """Copy the datasets of a capture file as small as gzip makes them."""
    import h5py

    part = target.with_name(target.name + ".part")
    with h5py.File(source) as old, h5py.File(part, "w") as new:
        for name, dataset in old.items():
            packed = new.create_dataset(
                name, data=dataset[()], chunks=dataset.chunks, shuffle=True,
                compression="gzip", compression_opts=9, track_times=False,
            )  # fmt: skip
            packed.attrs.update(dataset.attrs)
    part.replace(target)


def main() -> int:
    """Do what the options ask."""
    parser = argparse.ArgumentParser(description="Check or make the bundled recording.")
    parser.add_argument("--write", action="store_true", help="simulate the recording again")
    chosen = parser.parse_args()
    if chosen.write:
        write()
        write_registry()
    return check()


if __name__ == "__main__":
    sys.exit(main())
