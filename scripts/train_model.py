"""Rebuild models/default from nothing: simulate vehicles, measure them, fit, score, write the card.

The same number of vehicles and seed give the same model on one machine, whatever the number of
workers. Measured vehicles are kept in a temporary folder named after the code that measured them,
so that a run that was broken off goes on where it stopped:

    .venv/bin/python scripts/train_model.py --vehicles 1500 --workers 2
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

import misfire
from misfire.classify.bundle import check_target
from misfire.errors import MisfireError
from misfire.learning.across import format_across, judge_across
from misfire.learning.casepool import measure_cases
from misfire.learning.judgedcase import judge_case
from misfire.learning.modelcard import format_card, format_figures
from misfire.learning.runs import fit_and_hold_out, write_model
from misfire.learning.scores import (
    compare_scores,
    compute_parts,
    compute_scores,
    summarize_comparison,
)
from misfire.resources import hash_rooms

ROOT = Path(__file__).resolve().parent.parent
ROOMS = (  # whatever decides what is measured in a simulated vehicle
    *("columns", "limits", "numerals", "records", "dsp", "ingest", "align", "events", "cycles"),
    *("features", "simulate", "measuring", "fitness", "learning/cases", "learning/casestore"),
)
FIRST = 1_000_000
SEEDS = 10_000  # vehicles of one seed of the run


def hash_measuring() -> str:
    """Hash the sources that decide what is measured in a simulated vehicle."""
    return hash_rooms(ROOMS)[:16]


class Clock:
    """Prints each stage with the time since the start, at every tenth."""

    def __init__(self) -> None:
        """Start."""
        self.start = time.perf_counter()
        self.last = ("", -1)

    def show(self, stage: str, fraction: float) -> None:
        """Print a line when a tenth is reached."""
        now = (stage, int(10 * fraction + 1e-9))
        if now != self.last:
            self.last = now
            minutes, seconds = divmod(int(time.perf_counter() - self.start), 60)
            print(f"{minutes:3d}:{seconds:02d}  {stage} {10 * now[1]} %", flush=True)


def main() -> None:
    """Build the model."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--vehicles", type=int, default=1500)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", "-o", type=Path, default=ROOT / "models" / "default")
    parser.add_argument("--cache", type=Path, help="folder of measured vehicles")
    chosen = parser.parse_args()
    if Path(misfire.__file__).resolve().parent.parent != ROOT:  # an installed one of another tree
        sys.exit(f"train_model: would measure with {misfire.__file__}; set PYTHONPATH to {ROOT}")
    check_target(chosen.out)  # now, and not when all is trained
    cache = chosen.cache
    if cache is None:
        cache = Path(tempfile.gettempdir()) / f"misfire-cases-{hash_measuring()}"
    clock = Clock()
    print(f"measured vehicles are kept in {cache}")
    first = FIRST + SEEDS * chosen.seed
    cases, failures = measure_cases(
        range(first, first + chosen.vehicles),
        workers=chosen.workers,
        cache=cache,
        stage="simulating and measuring",
        progress=clock.show,
    )
    for failure in failures:
        print(f"not used: {failure}")
    trained = fit_and_hold_out(cases, seed=chosen.seed, workers=chosen.workers, progress=clock.show)
    scores = compute_scores(trained.held_out)
    plain = [judge_case(case, None) for case in cases]
    judged = judge_across(cases, seed=chosen.seed, workers=chosen.workers, progress=clock.show)
    across = format_across(trained.held_out, judged)
    verdict = summarize_comparison(
        compare_scores(trained.held_out, plain), new="this model", old="the physics scores alone"
    )
    model = trained.fitted.model
    card = format_card(
        cases,
        model,
        scores,
        tables=compute_parts(trained.held_out),
        failures=failures,
        verdict=verdict,
        across=across,
    )
    write_model(trained.fitted, chosen.out, card=card)
    print("\n".join(format_figures(scores)))
    print("\n".join(across))
    print(verdict)
    print(f"wrote {chosen.out}")
    clock.show("all", 1.0)


if __name__ == "__main__":
    try:
        main()
    except MisfireError as error:
        sys.exit(f"train_model: {error}")
