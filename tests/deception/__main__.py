"""Recordings engineered to deceive, judged: how often is a cylinder accused wrongly, and surely.

    .venv/bin/python -m tests.deception --each 16 -o deceive.json
    .venv/bin/python -m tests.deception --part unseen --each 16

Every kind of deception is played on simulated vehicles; `tests/deception` has the kinds in parts:
`first` and `tried`, with which fixes were made; `unseen`, with which none was made before they were
first counted; `later`, made after all fixes; `hostile` and `stranger`, on vehicles of another
generator, the latter after all fixes; `driven`, `captured` and `trade`, after those; `plain`
vehicles show how often a sound one is accused without any deception. A wrong accusation is
confident where the verdict is `misfire` and a cylinder that is not faulty has a probability of 0.8
or more. A refusal with a message, `inconclusive` and `no_misfire` are no accusation; an all-clear
where nothing is left that could show a fault (`blind`) is counted by itself. Prints one line a
kind, with the 95 % interval of the share of accusations (Clopper-Pearson); status 1 if more than
1 % are accused, or for anything else than a MisfireError.
"""

import argparse
import json
import sys
import tempfile
import traceback
from pathlib import Path
from typing import Any

import numpy as np

import misfire
from misfire.simulate import write_recording
from misfire.simulate.recording import SimulatedRecording
from tests.deception.captured import CAPTURED
from tests.deception.driven import DRIVEN
from tests.deception.first import FIRST, make_first
from tests.deception.hostile import HOSTILE
from tests.deception.later import LATER
from tests.deception.stranger import STRANGER
from tests.deception.trade import TRADE
from tests.deception.tried import TRIED
from tests.deception.unseen import UNSEEN
from tests.deception.vehicles import Kind, Vehicle

CONFIDENT = 0.8
MOST_WRONG = 0.01
ALL_CLEAR = "no lost combustion"
PLAIN = {"no deception": Kind(lambda vehicle, rng: vehicle.play(), faulty=True)}
PARTS: dict[str, tuple[str, ...]] = {
    "plain": tuple(PLAIN),
    "first": tuple(FIRST),
    "tried": tuple(TRIED),
    "unseen": tuple(UNSEEN),
    "later": tuple(LATER),
    "hostile": tuple(HOSTILE),
    "stranger": tuple(STRANGER),
    "driven": tuple(DRIVEN),
    "captured": tuple(CAPTURED),
    "trade": tuple(TRADE),
}
BENCH = {**HOSTILE, **STRANGER}
DRAWN: dict[str, Kind] = {**PLAIN, **TRIED, **UNSEEN, **LATER, **DRIVEN, **CAPTURED, **TRADE}
OUTCOMES = ("misfire", "no_misfire", "inconclusive", "refused", "fault")


def make_decoy(kind: str, number: int) -> tuple[SimulatedRecording, int]:
    """Make one deceiving recording; also give the cylinder that truly fails, 0: none."""
    if kind in FIRST:
        return make_first(kind, number)
    place = sum(map(ord, kind)) * 1000 + number  # every kind has vehicles of its own
    vehicle = Vehicle(place, DRAWN[kind])
    return DRAWN[kind].make(vehicle, np.random.default_rng([5, place])), vehicle.faulty


def write_decoy(kind: str, number: int, folder: Path) -> tuple[Path, int]:
    """Write one deceiving recording; give its job card and the cylinder that truly fails."""
    if kind in BENCH:
        bench = BENCH[kind](np.random.default_rng([11, sum(map(ord, kind)) * 1000 + number]))
        return bench.write(folder), bench.faulty
    sim, faulty = make_decoy(kind, number)
    return write_recording(sim, folder, fmt="wav"), faulty


def judge_decoy(kind: str, number: int, folder: Path) -> dict[str, Any]:
    """Make one, judge it, and say what came out."""
    job, faulty = write_decoy(kind, number, folder)
    row: dict[str, Any] = {"kind": kind, "number": number, "faulty": faulty, "accused": []}
    row["blind"] = False
    try:
        found = misfire.diagnose(job)
    except misfire.MisfireError as error:
        return row | {"outcome": "refused", "message": str(error)[:300]}
    except Exception as error:  # noqa: BLE001 - a fault of the program is what is looked for
        place = traceback.extract_tb(error.__traceback__)[-1]
        message = f"{type(error).__name__} {Path(place.filename).name}:{place.lineno} {error}"
        return row | {"outcome": "fault", "message": message}
    accused = {c.cylinder: round(c.probability, 3) for c in found.cylinders}
    wrong = [c for c, p in accused.items() if p >= CONFIDENT and c != faulty]
    row["accused"] = wrong if found.verdict == "misfire" else []
    empty = kind in DRAWN and DRAWN[kind].empty
    cleared = any(ALL_CLEAR in note for note in found.notes)
    row["blind"] = empty and (found.verdict == "no_misfire" or cleared)
    said = sorted({f.code for f in found.findings if f.severity != "info"})
    return row | {
        "outcome": found.verdict,
        "probability": accused,
        "findings": said,
        "notes": list(found.notes),
    }


def find_interval(n_hits: int, n: int) -> tuple[float, float]:
    """Give the 95 % interval of a share (Clopper-Pearson, from memory)."""
    from scipy.stats import beta

    low = float(beta.ppf(0.025, n_hits, n - n_hits + 1)) if n_hits else 0.0
    high = float(beta.ppf(0.975, n_hits + 1, n - n_hits)) if n_hits < n else 1.0
    return low, high


def print_row(name: str, rows: list[dict[str, Any]]) -> None:
    """Print the counts of some recordings."""
    n = {o: sum(r["outcome"] == o for r in rows) for o in OUTCOMES}
    wrong, blind = sum(bool(r["accused"]) for r in rows), sum(r["blind"] for r in rows)
    low, high = find_interval(wrong, len(rows))
    told = sum(bool(r.get("findings")) or r["outcome"] == "refused" for r in rows)
    print(
        f"{name:28}{len(rows):>4}{wrong:>9}  {100 * low:4.1f}-{100 * high:4.1f} %{blind:>6}"
        f"{n['misfire']:>9}{n['no_misfire']:>6}{n['inconclusive']:>6}{n['refused']:>9}{told:>7}"
        + (f"  FAULTS {n['fault']}" if n["fault"] else ""),
        flush=True,
    )


def main() -> int:
    """Judge them all."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--each", type=int, default=16, help="recordings of each kind")
    parser.add_argument("--start", type=int, default=0, help="number of the first one")
    parser.add_argument("--part", action="append", choices=sorted(PARTS))
    parser.add_argument("--kind", action="append", choices=sorted((*FIRST, *DRAWN, *BENCH)))
    parser.add_argument("-o", "--out", type=Path)
    given = parser.parse_args()
    rows = []
    print(
        f"{'kind':28}{'n':>4}{'accused':>9}{'95 %':>13}{'blind':>6}{'misfire':>9}{'none':>6}"
        f"{'open':>6}{'refused':>9}{'told':>7}"
    )
    for kind in given.kind or [k for p in given.part or PARTS for k in PARTS[p]]:
        mine = []
        for number in range(given.start, given.start + given.each):
            with tempfile.TemporaryDirectory() as folder:
                mine.append(judge_decoy(kind, number, Path(folder)))
        rows += mine
        print_row(kind, mine)
        if given.out:
            given.out.write_text(json.dumps(rows, indent=1) + "\n")
    print_row("all", rows)
    wrong = sum(bool(r["accused"]) for r in rows)
    faults = sum(r["outcome"] == "fault" for r in rows)
    print(f"{wrong} of {len(rows)} accused wrongly and confidently; {faults} faults of the program")
    return 1 if wrong > MOST_WRONG * len(rows) or faults else 0


if __name__ == "__main__":
    sys.exit(main())
