"""How often `misfire compare` finds the right word, on simulated pairs of recordings.

    python scripts/compare_pairs.py make FOLDER [--pairs 200] [--seed 1] [--first 0]
    python scripts/compare_pairs.py score FOLDER

`make` draws pairs (the same vehicle with and without its fault, with less of it, too short, at
another speed, with other channels, with the fault moved) and keeps the result folders of
`diagnose`, not the recordings. `score` compares each pair and counts the words against what the
truth of both recordings allows.
"""

import argparse
import json
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy import stats

from misfire.comparison.comparing import compare
from misfire.comparison.rates import compute_bunching
from misfire.diagnosis.chain import diagnose
from misfire.dsp.chances import compute_clopper_pearson
from misfire.errors import MisfireError
from misfire.report.diagnosis.files import write_reports
from misfire.simulate import Scenario, draw_scenario, simulate, write_recording
from misfire.simulate.scenario import ChannelModel

KINDS = {
    "repaired": 0.32,
    "same": 0.24,
    "less": 0.12,
    "short": 0.08,
    "speed": 0.08,
    "channels": 0.06,
    "moved": 0.05,
    "sound": 0.05,
}
WORDS = ("cured", "improved", "worse", "unchanged", "not_settled", "not_comparable")
CAUTIOUS = {"unchanged", "not_settled"}
FEW_LOST = 3  # fewer lost firings tell nothing of a rate
SLOWEST_RATE_HZ, FASTEST_RATE_HZ = 100e3, 200e3


def draw_pair(rng: np.random.Generator) -> tuple[str, Scenario, Scenario]:
    """Draw what was recorded before and after a repair."""
    kind = str(rng.choice(list(KINDS), p=list(KINDS.values())))
    while True:
        before = draw_scenario(rng, healthy_share=1.0 if kind == "sound" else 0.0)
        fault = before.fault[0] if before.fault else None
        if before.drive.condition not in ("idle", "cold_idle", "cruise", "drive"):
            continue
        if fault is not None and (fault.type == "crank_signal" or len(before.fault) > 1):
            continue
        if kind == "moved" and before.engine.cylinders < 3:
            continue
        break
    instruments = tuple(
        replace(i, rate_hz=float(np.clip(i.rate_hz, SLOWEST_RATE_HZ, FASTEST_RATE_HZ)))
        for i in before.instrument
    )
    length = float(rng.uniform(16.0, 40.0))
    before = replace(before, instrument=instruments, format="h5", duration_s=length)
    before = replace(before, vehicle_seed=before.seed)  # one wheel, the same cylinders
    other = int(rng.integers(0, 2**31))
    after = replace(before, seed=other, duration_s=length * float(rng.uniform(0.8, 1.6)))
    sound = replace(after, fault=())
    if kind == "repaired":
        return kind, before, sound
    if kind == "less":
        less = replace(fault, rate=fault.rate / float(rng.uniform(4, 8)))
        if fault.pattern == "always":
            less = replace(less, pattern="random")
        if fault.type == "low_compression":
            less = replace(fault, severity=0.35 * fault.severity)
        return kind, before, replace(after, fault=(less,))
    if kind == "short":
        chosen = after if rng.random() < 0.5 else sound
        return kind, before, replace(chosen, duration_s=float(rng.uniform(2.0, 5.0)))
    if kind == "speed":
        drive = before.drive
        if drive.condition in ("idle", "cold_idle"):
            drive = replace(drive, condition="cruise", cruise_rpm=float(rng.uniform(1900, 3500)))
        else:
            drive = replace(drive, condition="idle", blip_s=0.0)
        return kind, before, replace(sound if rng.random() < 0.6 else after, drive=drive)
    if kind == "channels":
        roles = {c.role for c in before.channel}
        if "crank" in roles and len(roles) > 1:
            kept = tuple(c for c in before.channel if c.role != "crank")
            if not any(c.role in ("coil_primary", "coil_current", "coil_trigger") for c in kept):
                kept = (ChannelModel(role="coil_primary", cylinders=(1,), name="primary 1"),)
        else:
            kept = (ChannelModel(role="crank", name="crank", range=50.0),)
        kept = tuple(replace(c, instrument=0) for c in kept)
        return kind, before, replace(sound, channel=kept)
    if kind == "moved":
        order = before.engine.firing_order
        there = order[(order.index(fault.cylinder) + 1) % len(order)]
        return kind, before, replace(after, fault=(replace(fault, cylinder=there),))
    return kind, before, after  # same, sound


def record(scenario: Scenario, folder: Path) -> dict[str, object]:
    """Simulate, diagnose and keep the results; give the truth without its arrays."""
    with tempfile.TemporaryDirectory() as work:
        sim = simulate(scenario)
        job = write_recording(sim, Path(work))
        truth = {k: v for k, v in sim.truth.items() if not k.startswith("cycle_")}
        events = truth.pop("events")
        truth["lost"] = {
            str(c): int(
                sum(m for m, k in zip(events["misfire"], events["cylinder"], strict=True) if k == c)
            )
            for c in scenario.engine.firing_order
        }
        truth["cycles"] = len(events["cylinder"]) // scenario.engine.cylinders
        truth["burned"] = {
            str(c): float(
                np.mean(
                    [b for b, k in zip(events["burned"], events["cylinder"], strict=True) if k == c]
                )
            )
            for c in scenario.engine.firing_order
        }
        truth |= describe_losses(events)
        truth["map_bar"] = [float(x) for x in np.quantile(events["map_bar"], (0.1, 0.5, 0.9))]
        try:
            write_reports(diagnose(job), folder)
            (folder / "report.html").unlink()
        except MisfireError as error:
            truth["refused"] = str(error)
    return truth


def describe_losses(events: dict[str, list]) -> dict[str, object]:
    """Say how the true losses of each cylinder hang together, and at which speeds they came."""
    cylinder, rpm = np.array(events["cylinder"]), np.array(events["rpm"], dtype=float)
    lost = np.array(events["misfire"], dtype=bool)
    order = sorted(set(cylinder.tolist()))
    return {
        "bunching": {str(c): compute_bunching(lost[cylinder == c]) for c in order},
        "rpm_lost": {str(c): rpm[(cylinder == c) & lost].round().tolist() for c in order},
        "rpm_cycles": rpm[cylinder == order[0]].round().tolist(),
    }


def make(folder: Path, n_pairs: int, seed: int, first: int) -> None:
    """Make the pairs that are not there yet."""
    for number in range(first, first + n_pairs):
        place = folder / f"{number:04d}"
        if (place / "pair.json").exists():
            continue
        shutil.rmtree(place, ignore_errors=True)
        kind, before, after = draw_pair(np.random.default_rng([seed, number]))
        place.mkdir(parents=True)
        truth = {"kind": kind, "vehicle": before.vehicle}
        truth["before"] = record(before, place / "before")
        truth["after"] = record(after, place / "after")
        (place / "pair.json").write_text(json.dumps(truth))
        print(number, kind, truth["before"]["verdict"], truth["after"]["verdict"], flush=True)


def find_cover(before: dict, after: dict, cylinder: str | None) -> float:
    """Share of the losses before (else of all cycles) at speeds that AFTER has, by the truth.

    Speeds count as alike within 20 %, or 200 rpm, of each other, where three cycles have them.
    """
    speeds = np.array(before["rpm_lost"].get(cylinder, []) if cylinder else [])
    if speeds.size < 4:
        speeds = np.array(before["rpm_cycles"])
    reach = np.maximum(0.2 * speeds, 200.0)
    others = np.sort(after["rpm_cycles"])
    met = np.searchsorted(others, speeds + reach) - np.searchsorted(others, speeds - reach)
    return float(np.mean(met >= 3))


def is_showable(truth: dict, fault: dict) -> bool:
    """Whether the channels can show that this fault loses a combustion.

    The crank speed shows every one; without it a spark that came and a mixture that did not burn
    leave hardly a trace in the coil.
    """
    if "crank" in truth["channels"]:
        return True
    spark = fault["type"] not in ("mixture", "low_compression")
    return spark and truth["type_visible"].get(str(fault["cylinder"]), True)


def list_right_words(pair: dict) -> set[str]:
    """Say which words the truth of both recordings allows.

    A lost firing counts as it truly was, not as it was judged. Where chance alone could hide the
    fault (Fisher's exact test, 1 %, a bout counted as about one loss), `not_settled` is right too;
    where it could not, it is not. `unchanged` of a fault that is gone is right only where nothing
    was lost before, or where the channels cannot show the fault. Where the speeds differ, only
    `not_comparable` is right. A fault that moved is `worse`.
    """
    before, after = pair["before"], pair["after"]
    if "refused" in before or "refused" in after:
        return set()
    seen = [f for f in before["faulty"] if f["visible"]]
    worst = max(seen, key=lambda f: f["misfires"]) if seen else None
    if pair["kind"] == "channels":
        return {"not_comparable"}
    cover = find_cover(before, after, str(worst["cylinder"]) if worst else None)
    if cover < 0.4:
        return {"not_comparable"}
    extra = {"not_comparable"} if cover < 0.6 else set()
    if worst is None:  # it has lost nothing yet: not to be seen, but gone all the same where mended
        mended = bool(before["faulty"]) and not after["faulty"]
        less = pair["kind"] == "less"
        return CAUTIOUS | extra | ({"cured"} if mended else {"improved"} if less else set())
    if not is_showable(before, worst):
        extra |= CAUTIOUS
    return list_words_of_rates(pair, worst) | extra


def list_words_of_rates(pair: dict, worst: dict) -> set[str]:
    """Say which words the true losses of the worst cylinder allow."""
    before, after = pair["before"], pair["after"]
    c = str(worst["cylinder"])
    k = (before["lost"][c], after["lost"][c])
    n = (worst["cycles"], after["cycles"])
    # With bouts counted as one loss each, and by single losses: what either allows is right.
    bouts = max(before["bunching"][c], after["bunching"][c])
    words: set[str] = set()
    for each in {1.0, bouts}:
        lost = [round(x / each) for x in (*k, *n)]
        same = stats.hypergeom(lost[2] + lost[3], lost[0] + lost[1], lost[3]).cdf(lost[1])
        words |= list_words_of_chance(pair, k, n, float(same))
    return words


def list_words_of_chance(
    pair: dict, k: tuple[int, int], n: tuple[int, int], same: float
) -> set[str]:
    """Say which words losses `k` of `n` allow; `same`: chance of so few, were it as before."""
    after = pair["after"]
    now = [f for f in after["faulty"] if f["visible"]]
    leaks = any(f["type"] == "low_compression" for f in pair["before"]["faulty"])
    new = {f["cylinder"] for f in now} - {f["cylinder"] for f in pair["before"]["faulty"]}
    if new and (leaks or any(after["lost"][str(f["cylinder"])] for f in now)):
        few = max((after["lost"][str(f["cylinder"])] for f in now), default=0) < FEW_LOST
        return {"worse"} | (
            {"improved", "not_settled", "unchanged"} if few and not leaks else set()
        )
    if not after["faulty"]:
        unsure = {"cured", "improved", "not_settled"}
        if leaks and k[0] < FEW_LOST:  # it works less every time, whether or not a firing is lost
            return {"cured"} if n[1] > 30 else unsure
        stray = {"improved"} if k[1] else set()  # one lost all the same: nothing tells it apart
        return {"cured"} | stray if same < 0.01 else unsure
    there = {"unchanged", "improved", "not_settled"}
    if k[1] == 0 and k[0] >= FEW_LOST:  # still there, but this recording does not hold it
        return there | ({"cured"} if same < 0.01 else set())
    rose = stats.hypergeom(sum(n), sum(k), n[1]).sf(k[1] - 1) < 0.05
    worse = {"worse"} if rose and k[1] >= FEW_LOST else set()
    if k[0] < FEW_LOST:
        return there | worse
    fall = 1 - (k[1] / n[1]) / max(k[0] / n[0], 1e-9)
    if same < 0.01 and fall > 0.55:
        return {"improved"}
    some = {"improved"} if same <= 0.1 and fall >= 0.25 else set()
    return {"unchanged"} | some | worse | ({"not_settled"} if k[1] < FEW_LOST else set())


def score(folder: Path, show: bool) -> None:
    """Compare every pair and count the words."""
    rows = []
    for place in sorted(folder.glob("*/pair.json")):
        pair = json.loads(place.read_text())
        right = list_right_words(pair)
        if not right:
            continue
        said = compare(place.parent / "before", place.parent / "after")
        ok = said["verdict"] in right
        named = {c["cylinder"] for c in said["cylinders"] if c["suspect"]}
        # What it calls cured must have been at fault, if anything recorded tells which one was.
        told = pair["before"]["verdict"] != "inconclusive" and not any(
            "nothing told which cylinder is which" in note for note in said["notes"]
        )
        at_fault = {f["cylinder"] for f in pair["before"]["faulty"]}
        if said["verdict"] == "cured" and told and not named & at_fault:
            ok = False
        seen = pair["before"]["verdict"] != "misfire" or said["before"]["verdict"] == "misfire"
        rows.append((pair["kind"], said["verdict"], ok, pair, seen))
        if show and not ok:
            b, a = pair["before"], pair["after"]
            print(place.parent.name, pair["kind"], "|", said["verdict"], "| right:", *sorted(right))
            for f in b["faulty"]:
                c = str(f["cylinder"])
                print("   ", c, f["type"], f["kind"], f["pattern"], f["severity"], "lost",
                      b["lost"][c], "of", b["cycles"], "->", a["lost"][c], "of", a["cycles"],
                      b["condition"], b["layout"], *b["channels"])  # fmt: skip
            print("    judged", b["verdict"], said["before"]["verdict"], said["after"]["verdict"])
            print("    " + said["headline"], *said["reasons"], sep="\n      ")
    print(f"{'kind':<10}{'pairs':>6}{'right':>6}" + "".join(f"{w:>16}" for w in WORDS))
    for kind in KINDS:
        own = [r for r in rows if r[0] == kind]
        line = "".join(f"{sum(r[1] == w for r in own):>16}" for w in WORDS)
        print(f"{kind:<10}{len(own):>6}{sum(r[2] for r in own):>6}{line}")
    told = [r for r in rows if r[4]]
    for name, some in (("all pairs", rows), ("pairs whose BEFORE named its fault", told)):
        right = sum(r[2] for r in some)
        low, high = compute_clopper_pearson(right, len(some))
        print(f"{name}: right {right} of {len(some)}, {100 * right / len(some):.1f} % "
              f"(95 % interval {100 * low:.1f} to {100 * high:.1f})")  # fmt: skip
    wrong = [r for r in rows if r[1] == "cured" and r[3]["after"]["faulty"]]
    print(f"cured said of a vehicle whose fault is still there: {len(wrong)}, of which its "
          f"recording held lost firings: {sum(not r[2] for r in wrong)}")  # fmt: skip


def main() -> None:
    """Run one of the two steps."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("step", choices=("make", "score"))
    parser.add_argument("folder", type=Path)
    parser.add_argument("--pairs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--show", action="store_true", help="list the pairs with a wrong word")
    given = parser.parse_args()
    if given.step == "make":
        make(given.folder, given.pairs, given.seed, given.first)
    else:
        score(given.folder, given.show)


if __name__ == "__main__":
    main()
