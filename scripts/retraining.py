"""Do twenty labelled cases of a workshop's own vehicles help? An experiment.

The shipped model meets vehicles unlike those of its training. Twenty of the faulty ones, labelled
as `misfire confirm` labels (cylinder and fault, no single events), correct it as `misfire train`
does; both models then judge the other vehicles, several times over:

    .venv/bin/python scripts/retraining.py --vehicles 160 --labelled 20 --repeats 5
    .venv/bin/python scripts/retraining.py --cases lot-a lot-b --labelled 20 --repeats 5

Without `--cases` the vehicles are a family that the simulator does not draw: rough-running engines
with unequal cylinders, heavier flywheels, noisier channels and coils that switch off softly. With
it, each folder of labelled cases is a lot: one teaches, the others are judged. `--labels shuffled`
deals the kinds of fault out at random: what is then gained is luck, or how common the kinds are.
`--labels drawn` draws them anew, as often as the judge holds them to be anyway.

Labelled recordings of a simulator show that labelled cases reach the model and by how much under
this shift, not how much a given workshop will gain.
"""

import argparse
import dataclasses
import json
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import sklearn.ensemble  # noqa: F401 - its threads can be limited only once it is loaded
from threadpoolctl import threadpool_limits

from misfire.diagnosis.firings.states import KIND_PRIOR
from misfire.diagnosis.shipped import load_shipped
from misfire.errors import MisfireError
from misfire.learning.adapting import adapt, teach
from misfire.learning.casefolders import find_cases, measure_folder
from misfire.learning.cases import LabelledCase, measure_case
from misfire.learning.casestore import load_case, save_case
from misfire.learning.judgedcase import judge_case
from misfire.learning.scores import compare_scores, summarize_comparison
from misfire.simulate.draw import draw_scenario
from misfire.simulate.recording import simulate
from misfire.simulate.scenario import Scenario
from misfire.simulate.writer import write_recording

SHIFTED = 500_000  # first seed of the shifted family


def shift(scenario: Scenario, rng: np.random.Generator) -> Scenario:
    """Make a vehicle of the other family out of a drawn one."""
    engine = dataclasses.replace(
        scenario.engine,
        cov=float(rng.uniform(0.16, 0.3)),
        cylinder_spread=float(rng.uniform(0.05, 0.1)),
        inertia_kgm2=min(1.5, 1.5 * scenario.engine.inertia_kgm2),
    )
    coil = dataclasses.replace(
        scenario.coil,
        fall_us=float(rng.uniform(30.0, 80.0)),
        ring_q=float(rng.uniform(2.0, 4.0)),
        leak=float(rng.uniform(0.06, 0.12)),
    )
    channel = tuple(
        dataclasses.replace(c, noise=min(0.02, 3.0 * c.noise)) for c in scenario.channel
    )
    return dataclasses.replace(scenario, engine=engine, coil=coil, channel=channel)


def measure_shifted(call: tuple[int, Path]) -> LabelledCase | None:
    """Simulate and measure one vehicle of the family; None if it cannot be measured."""
    seed, cache = call
    kept = cache / f"shifted-{seed}.npz"
    if kept.is_file():
        return load_case(kept)
    rng = np.random.default_rng(seed)
    recording = simulate(shift(draw_scenario(rng), rng))
    with tempfile.TemporaryDirectory() as name, threadpool_limits(limits=1):
        job = write_recording(recording, Path(name), fmt="wav")
        try:
            case = measure_case(job, recording.truth, group=f"shifted-{seed}")
        except MisfireError:
            return None
    save_case(case, kept)
    return case


def forget_events(case: LabelledCase) -> LabelledCase:
    """Leave what a workshop knows: the cylinder and the fault; of a sound vehicle, every firing."""
    nothing = np.zeros(case.lost.size, bool)
    return dataclasses.replace(case, lost=nothing, known=nothing | case.healthy)


def mislabel(
    cases: list[LabelledCase], labels: str, rng: np.random.Generator
) -> list[LabelledCase]:
    """Put other kinds of fault on the cases: those of one another, or as common as is written."""
    if labels == "true":
        return cases
    kinds = [kind for case in cases for kind in case.faulty.values()]
    if labels == "shuffled":
        other = rng.permutation(kinds).tolist()
    else:
        other = rng.choice(list(KIND_PRIOR), len(kinds), p=list(KIND_PRIOR.values())).tolist()
    mixed = iter(other)
    return [
        dataclasses.replace(case, faulty={c: next(mixed) for c in case.faulty}) for case in cases
    ]


def measure_lots(chosen: argparse.Namespace) -> list[list[LabelledCase]]:
    """Measure all lots: the folders given, or the family as one lot."""
    lots = []
    for number, place in enumerate(chosen.cases):
        lot = []
        for folder in find_cases([place]):
            try:
                case = measure_folder(folder)
            except MisfireError as error:
                print(f"not used: {error}", flush=True)
                continue
            lot.append(dataclasses.replace(case, group=f"{number}-{folder.folder.name}"))
        lots.append(lot)
    if not lots:
        calls = [(SHIFTED + i, chosen.cache) for i in range(chosen.vehicles)]
        with ProcessPoolExecutor(chosen.workers, mp_context=get_context("spawn")) as pool:
            lots.append([case for case in pool.map(measure_shifted, calls) if case is not None])
    return lots


def main() -> None:
    """Run the experiment."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--cases", type=Path, nargs="*", default=[], help="lots of labelled cases")
    parser.add_argument("--vehicles", type=int, default=160, help="of the simulated family")
    parser.add_argument("--labelled", type=int, default=20)
    parser.add_argument("--labels", choices=("true", "shuffled", "drawn"), default="true")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "misfire-shift")
    parser.add_argument("--out", "-o", type=Path, help="JSON file for the figures")
    chosen = parser.parse_args()
    before = load_shipped()
    if before is None:
        raise MisfireError("no model came with this installation: there is none to correct")
    lots = measure_lots(chosen)
    old = {case.group: judge_case(case, before) for lot in lots for case in lot}
    print(f"{len(old)} vehicles", flush=True)
    results = []
    for k in range(chosen.repeats):
        rng = np.random.default_rng((k, 21))
        own = [case for case in lots[k % len(lots)] if case.faulty]
        drawn = rng.permutation(len(own))[: chosen.labelled]
        labelled = mislabel([forget_events(own[i]) for i in drawn], chosen.labels, rng)
        taught = {case.group for case in labelled}
        test = [
            case
            for number, lot in enumerate(lots)
            for case in lot
            if case.group not in taught and (len(lots) == 1 or number != k % len(lots))
        ]
        after = adapt(before, teach(before, labelled))
        comparisons = compare_scores(
            [judge_case(c, after) for c in test], [old[c.group] for c in test]
        )
        print(f"\n{len(labelled)} labelled cases, {len(test)} judged, draw {k + 1}:")
        print(f"{'figure':28s}{'without':>9s}{'with':>9s}{'95 % of the change':>22s}")
        for name, c in comparisons.items():
            interval = f"{c.low:+.4f} to {c.high:+.4f}"
            print(f"{name:28s}{c.other:9.4f}{c.value:9.4f}{interval:>22s}  {c.word}")
        print(summarize_comparison(comparisons, new="the retrained model", old="the one before"))
        sys.stdout.flush()
        results.append({name: dataclasses.asdict(c) for name, c in comparisons.items()})
    print(f"\nmean over {len(results)} draws:")
    for name in results[0]:
        values = [r[name]["value"] for r in results]
        mean, other = float(np.mean(values)), float(np.mean([r[name]["other"] for r in results]))
        print(f"{name:28s}{other:9.4f}{mean:9.4f}   draws {min(values):.4f} to {max(values):.4f}")
    if chosen.out is not None:
        chosen.out.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    try:
        main()
    except MisfireError as error:
        sys.exit(f"retraining: {error}")
