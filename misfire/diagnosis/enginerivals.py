"""Rival explanations by the engine: one cause for many cylinders, its wheel, fuel that returns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from misfire.diagnosis.firings.states import FREEDOM
from misfire.diagnosis.rivals import (
    ENGINE_PRIOR,
    FELT_Z,
    LEAST_CYCLES,
    LEAST_LOST,
    MOST_ODDS,
    Rival,
    mark_lost,
    weigh_many,
)
from misfire.dsp.chances import compute_surprise, log_student
from misfire.features.overlap import WORK_DEG
from misfire.limits import CRANKING_RPM, SURELY_CUT_Z
from misfire.measuring.evidence import Evidence
from misfire.records import FAULT_TYPES, STROKE_FLAGS, Engine
from misfire.report.wording import join_words

ALIKE = 1 / 3  # of the losses of the cylinder that loses most
# A sound cylinder is hardly said to lose one firing in a thousand; so many nats beyond, it does.
SOUND_LOSES, SURELY = 0.001, 6.0
LEAST_FELT = 3  # firings that lack as much torque as the lost ones do
HALF = 0.5  # of the lost ones' usual lack: as much
CLEARLY_Z = 2.0  # usual lack of a cylinder, in spreads
SEVERAL = 3  # cylinders at once whose sparks show nothing: one cause, whatever their number
DARK_SHARE = 0.85  # of a cylinder's firings lost: it is off
STEP_PRIOR = 0.1  # that a control unit drops firings by count, over a first cylinder's own fault
LIKE, LIKE_SPREAD = 0.8, 0.35  # what one that is off lacks over those that work, in combustions
LEAST_SPREAD = 0.05  # of a combustion: no stroke is followed more closely
TELLING = 5.0  # cycles count as so many at most: what is wrong of one is wrong of all
BACK_CYCLES = 2  # after a cut until every cylinder has its fuel again
LIKELY = 0.25  # share of the fault types that both plugs of a coil have together
SHARED = ("weak_coil", "no_primary")  # faults of a coil, which all of its cylinders have
OF_LOOP = (*SHARED, "open_secondary", "fouled_plug")  # and of what leads from it to the plugs
OF_COIL = 0.5  # of the shares of the kinds: sooner one of these than any other
FUEL_PRIOR = 0.2  # that what is lost where the fuel comes back is the fuel's
WHEEL_PRIOR = 0.3  # of a wheel or sensor that makes a cylinder weak and another strong
AS_STRONG, AS_STRONG_SPREAD = 1.0, 0.2  # what the strong one gives over what the weak one lacks
AS_USUAL, AS_USUAL_SPREAD = 0.1, 0.25  # the same where the weak one is at fault
BESIDE = 0.8  # of an engine's losses, those with two other cylinders' beside them


def list_engine_rivals(
    evidence: Evidence,
    probability: NDArray[np.float64],
    suspects: list[int],
    faults: NDArray[np.float64],
    outstanding: NDArray[np.bool_],
    bad_spark: NDArray[np.bool_],
    usual_spark: NDArray[np.bool_],
) -> list[Rival]:
    """List how the engine as a whole may explain what the suspects lose.

    Parameters
    ----------
    evidence : Evidence
    probability : float64 array [shape=(n_firings,)]
        That each firing was lost.
    suspects : list of int
    faults : float64 array [shape=(n_cylinders, len(FAULT_TYPES))]
    outstanding : bool array [shape=(n_firings,)]
        From `find_outstanding`.
    bad_spark : bool array [shape=(n_firings,)]
        Whose likeliest spark is neither usual nor unseen: no cause but the ignition makes that.
    usual_spark : bool array [shape=(n_firings,)]
        Whose spark is seen, and likeliest a usual one.

    Returns
    -------
    rivals : list of Rival
    """
    if evidence.recording.job.engine.cylinders < 2 or not suspects:
        return []
    lost = mark_lost(evidence, probability, suspects)  # of most of them the spark shows nothing
    sound_spark = not lost.any() or float(bad_spark[lost].mean()) <= 0.5
    switched = (evidence.strokes["flags"].astype(np.int64) & STROKE_FLAGS["no_dwell"]) == 0
    rested = not lost.any() or float((bad_spark & switched)[lost].mean()) <= 0.5
    common = _find_common(
        evidence,
        probability,
        suspects,
        faults,
        outstanding,
        sound_spark=sound_spark,
        rested=rested,
        mostly_bad=float(bad_spark[np.isin(evidence.firings.cylinder, suspects)].mean()) > 0.5,
        shown=bool(lost.any()) and float(usual_spark[lost].mean()) > 0.5,
    )
    fuel = _come_with_fuel(evidence, probability, suspects) if sound_spark else []
    together = _find_switched_off_together(evidence, suspects)
    return [*fuel, *together, *_find_in_step(evidence, probability), *common]


def _find_common(
    evidence: Evidence,
    probability: NDArray[np.float64],
    suspects: list[int],
    faults: NDArray[np.float64],
    outstanding: NDArray[np.bool_],
    *,
    sound_spark: bool,
    rested: bool,
    mostly_bad: bool,
    shown: bool,
) -> list[Rival]:
    """Find causes of the whole engine, the wheel or a part of the engine that is switched off.

    Faults of cylinders are independent and rare: that more than half of them have one, or three
    without a sign in their sparks, is far less likely than one cause for all (speed limiter, fuel
    cut, fuel or supply that fails, a rough road). So it is where one cylinder loses most and the
    others a few at other times, each more than a sound one. Where only the torque tells, firings
    that lack as much count as lost in every cylinder: the judge believes those of the suspect
    sooner.
    Cylinders evenly spaced in the firing order that are off together are how an engine is run on
    part of its cylinders: those of one coil too where their sparks are seen to be usual (`shown`),
    as a coil that fails in the same cycles for both would show it.
    """
    engine = evidence.recording.job.engine
    n = engine.cylinders
    lost = _count_lost(evidence, probability, n)
    most = max(lost[c - 1] for c in suspects)
    alike = [c for c in range(1, n + 1) if most and lost[c - 1] >= max(LEAST_LOST, ALIKE * most)]
    if sound_spark:  # a spark that fails is no sign of the whole engine
        alike = sorted({*alike, *_find_losing_too(evidence, probability, lost)})
    # nothing lost, no cylinder loses most, or none is left to be sound
    if 2 * len(suspects) > n and (2 * most <= lost.sum() or len(suspects) == n):
        alike = sorted({*alike, *suspects})
    felt = _find_felt(evidence, probability, suspects, outstanding) if sound_spark else []
    wider = engine.ignition == "wasted_spark" and 2 * len(felt) > n  # more than one coil has
    shared = alike and _share_a_coil(alike, engine, faults, dark=not sound_spark)
    if (shared and not wider) or n < 3:
        return _find_part(evidence, probability, suspects, n_faults=1) if shown and rested else []
    # where the suspects' sparks are mostly bad, what they always lack is no error of the wheel
    found = [] if mostly_bad else _find_too_strong(evidence, suspects)
    if n >= 3:
        found += _find_accompanied(evidence, probability, suspects)
    if 2 * len(alike) <= n < 2 * len(felt) or len(alike) < SEVERAL <= len(felt):
        alike = felt
    names = ", ".join(map(str, alike))
    distributor = engine.ignition == "distributor"
    own_parts = "coil, its lead, distributor cap and rotor; " if distributor else ""
    if 2 * len(alike) > n or (len(alike) >= SEVERAL and set(alike) <= set(felt)):
        text = (
            f"cylinders {names} all lose combustions: that points to one cause for the whole "
            f"engine ({own_parts}speed limiter or fuel cut, mixture of all cylinders, fuel "
            "pressure, supply of the coils, crank signal, a rough road, a job card of another "
            "engine), not to faults of so many cylinders"
        )
        found.append(Rival("whole_engine", "engine", weigh_many(len(alike)), text))
    elif rested:
        found += _find_part(evidence, probability, suspects, n_faults=len(suspects))
    return found


def _find_part(
    evidence: Evidence, probability: NDArray[np.float64], suspects: list[int], *, n_faults: int
) -> list[Rival]:
    """Find that a part of the engine, with the suspects in it, is off at once.

    A control unit rests every other cylinder of the firing order, every third, or a bank. Its
    others then lack work in the cycles in which the suspects lose theirs, and as much; faults of
    cylinders do not choose the same cycles. `n_faults`: by which the suspects would have theirs.
    """
    engine, order = evidence.recording.job.engine, evidence.recording.job.engine.firing_order
    if engine.cylinders < 4:
        return []
    of_cycle = _lay_out(evidence, evidence.torque.lack)
    lost = _lay_out(evidence, np.where(mark_lost(evidence, probability, suspects), 1.0, 0.0)) > 0.5
    kept = np.isfinite(of_cycle).all(axis=1)
    of_cycle, lost = of_cycle[kept], lost[kept]
    best: tuple[float, list[int]] = (-np.inf, [])
    for part in _list_parts(order) if kept.any() else []:
        if set(suspects) <= part:
            inside = np.array([c in part for c in order])
            beside = of_cycle[:, inside] - of_cycle[:, ~inside].mean(axis=1, keepdims=True)
            best = max(best, (_weigh_together(beside, lost[:, inside]), sorted(part)))
    if not best[1]:
        return []
    odds = float(np.clip(weigh_many(n_faults) + best[0], -MOST_ODDS, MOST_ODDS))
    text = (
        f"cylinders {', '.join(map(str, best[1]))}, one bank or evenly spaced in the firing order, "
        "are off together: an engine that switches part of its cylinders off on purpose looks like "
        "this, and so does a job card with too many cylinders; find out whether this engine does so"
    )
    return [Rival("part_of_engine", "engine", odds, text)]


def _lay_out(evidence: Evidence, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Lay values of firings out by cycle and place in the firing order; NaN where there is none."""
    order = evidence.recording.job.engine.firing_order
    cycles, row = np.unique(evidence.firings.cycle, return_inverse=True)
    table = np.full((cycles.size, len(order)), np.nan)
    table[row, [order.index(int(c)) for c in evidence.firings.cylinder]] = values
    return table


def _list_parts(order: tuple[int, ...]) -> list[set[int]]:
    """List what one switch may rest: by place, or banks by their usual numbering."""
    n = len(order)
    parts = [
        set(order[k::step]) for step in range(2, n // 2 + 1) if n % step == 0 for k in range(step)
    ]
    banks = ({c for c in order if c % 2}, {c for c in order if 2 * c <= n}) if n % 2 == 0 else ()
    return parts + [half for bank in banks for half in (bank, set(order) - bank)]


def _weigh_together(lack: NDArray[np.float64], lost: NDArray[np.bool_]) -> float:
    """Weigh that cylinders of a part are off in the same cycles, over each by itself.

    `lack` [shape=(n_cycles, n_members), unit=combustions]: beside the rest of the engine.
    """
    told = 0.0
    for k in range(lost.shape[1]):
        at = np.delete(lost, k, axis=1).any(axis=1)
        if at.sum() < LEAST_LOST:
            continue
        if (~at).sum() < LEAST_CYCLES:  # the others always: then it is off always too, or works
            told += 0.0 if lost[:, k].mean() >= DARK_SHARE else TELLING * np.log1p(-BESIDE)
            continue
        usual = float(np.median(lack[~at, k]))
        spread = 1.4826 * float(np.median(np.abs(lack[~at, k] - usual))) + LEAST_SPREAD
        works = log_student(lack[at, k] - usual, np.array(spread), freedom=FREEDOM)
        wide = np.array(np.hypot(spread, LIKE_SPREAD))
        off = log_student(lack[at, k] - usual - LIKE, wide, freedom=FREEDOM)
        share = (float(lost[~at, k].sum()) + 0.5) / (float((~at).sum()) + 1.0)
        alone = np.logaddexp(np.log(share) + off, np.log1p(-share) + works)
        as_one = np.logaddexp(np.log(BESIDE) + off, np.log1p(-BESIDE) + works)
        n = int(at.sum())
        told += TELLING / (TELLING + n) * float((as_one - alone).sum())
    return told


def _come_with_fuel(
    evidence: Evidence, probability: NDArray[np.float64], suspects: list[int]
) -> list[Rival]:
    """Find that the suspects lose only where a fuel cut ends: ever less likely by chance."""
    n = evidence.recording.job.engine.cylinders
    lost = mark_lost(evidence, probability, suspects)
    if lost.sum() < LEAST_LOST:
        return []
    level = evidence.firing_table["torque_level_change"].to_numpy(float)
    cut = np.nan_to_num(level) < SURELY_CUT_Z
    behind = np.convolve(cut, np.ones(BACK_CYCLES * n + 1))[: cut.size] > 0.5
    if not behind[lost].all():
        return []
    odds = np.log(FUEL_PRIOR) - int(lost.sum()) * np.log(max(float(behind.mean()), 1e-9))
    who = _name(suspects)
    text = (
        f"every loss of {who} comes just after overrun, when the fuel returns: many engines lose a "
        "stroke or two there; record at steady load as well, and see whether it still fails"
    )
    return [Rival("fuel_returns", "engine", float(min(odds, MOST_ODDS)), text)]


def _find_switched_off_together(evidence: Evidence, suspects: list[int]) -> list[Rival]:
    """Find that the suspects' coils stay off where other coils do: the control unit cuts them."""
    engine = evidence.recording.job.engine
    coil = {c: c for c in engine.firing_order}
    for together in engine.shared_coils:
        coil |= dict.fromkeys(together, min(together))
    cylinder = evidence.firings.cylinder
    absent = (evidence.strokes["flags"].astype(np.int64) & STROKE_FLAGS["no_dwell"]) != 0
    own = absent & np.isin(cylinder, suspects)
    if own.sum() < LEAST_LOST:
        return []
    of_coil = np.array([coil[int(c)] for c in cylinder])
    company = np.zeros(cylinder.size, bool)
    for number in np.unique(of_coil[absent]):
        near = _mark_near(absent & (of_coil == number), engine.cylinders)
        company |= near & (of_coil != number)
    on = ~absent & np.isin(cylinder, suspects)
    odds = _weigh_company(company, own, on)
    coils = "coils of {} are" if len(suspects) > 1 else "coil of {} is"
    text = (
        f"the {coils.format(_name(suspects))} off at the same moments as others: that "
        "points to the control unit (gear change, limiter, immobiliser), the supply of the coils "
        "or the crank signal, not to a fault of one coil"
    )
    return [Rival("switched_off_together", "engine", odds, text)]


def _find_in_step(evidence: Evidence, probability: NDArray[np.float64]) -> list[Rival]:
    """Find that one firing is lost after always as many of the engine's firings.

    A limiter or a control unit that drops a share of the firings counts them; a cylinder's fault
    takes each of its firings by chance. Steps of a whole cycle or an even part of it meet the same
    cylinders in each cycle, which says nothing.
    """
    n, cylinder = evidence.recording.job.engine.cylinders, evidence.firings.cylinder
    lost = np.nan_to_num(probability) >= 0.5
    at = np.flatnonzero(lost)
    if at.size < LEAST_CYCLES:
        return []
    apart = np.diff(at)
    step = int(np.argmax(np.bincount(apart)))
    if n % step == 0:
        return []
    total = np.bincount(cylinder, minlength=n + 1)
    share = (np.bincount(cylinder[lost], minlength=n + 1) + 0.5) / (total + 1.0)
    kept = np.cumsum(np.log1p(-share[cylinder]))
    alone = np.exp(kept[at[1:] - 1] - kept[at[:-1]]) * share[cylinder[at[1:]]]
    counted = BESIDE * (apart == step) + (1.0 - BESIDE) * alone
    told = TELLING / (TELLING + apart.size) * float(np.log(counted / alone).sum())
    text = (
        f"firings are lost in even steps, each {step} firings of the engine after the last one: a "
        "limiter, or a control unit that drops a share of the firings, counts them so; record at "
        "steady load, below any limit of speed"
    )
    odds = float(np.clip(np.log(STEP_PRIOR) + told, -MOST_ODDS, MOST_ODDS))
    return [Rival("cut_in_step", "engine", odds, text)]


def _find_too_strong(evidence: Evidence, suspects: list[int]) -> list[Rival]:
    """Find a cylinder that seems to work as much more as the weakest suspect works less."""
    z, cylinder = evidence.torque.deficit_z, evidence.firings.cylinder
    usual = {}
    runs = evidence.firings.rpm > CRANKING_RPM  # a leak under the starter favours the next one
    for c in range(1, evidence.recording.job.engine.cylinders + 1):
        own = z[(cylinder == c) & runs & np.isfinite(z)]
        if own.size >= LEAST_CYCLES:
            usual[c] = float(np.median(own))
    weak = max((c for c in suspects if c in usual), key=lambda c: usual[c], default=0)
    engine = evidence.recording.job.engine
    others = [c for c in usual if c not in suspects and not _shares_wheel(c, weak, engine)]
    if not weak or not others or usual[weak] < CLEARLY_Z:
        return []
    strong = min(others, key=lambda c: usual[c])
    ratio = np.array([-usual[strong] / usual[weak]])
    as_strong, as_usual = (
        log_student(ratio - centre, np.array(spread), freedom=FREEDOM)
        for centre, spread in ((AS_STRONG, AS_STRONG_SPREAD), (AS_USUAL, AS_USUAL_SPREAD))
    )
    text = (
        f"cylinder {weak} seems to lack torque in all its firings, and cylinder {strong} to give "
        "the same amount too much, which no cylinder can do: teeth out of place, a crank signal "
        "that is cut off or filtered, or wrong firing angles look like this; check sensor, wheel "
        "and job card, and record at another speed"
    )
    odds = float(np.log(WHEEL_PRIOR) + (as_strong - as_usual)[0])
    return [Rival("wheel", "sensor", odds, text)]


def _shares_wheel(cylinder: int, weak: int, engine: Engine) -> bool:
    """Tell whether a cylinder works at the place of the wheel at which another is weak.

    An error of the wheel is there in both of its turns: what one of them shows less than the other
    is no error of the wheel, and one that hides half of a dead cylinder's lack makes the cylinder
    360 degrees away seem strong. So with those whose work overlaps its own.
    """
    angles = dict(zip(engine.firing_order, engine.firing_angles_deg, strict=True))
    if weak not in angles:
        return False
    opposite = (angles[weak] + 360.0) % 720.0
    if not any(abs(a - opposite) < 1.0 for a in angles.values()):
        return False
    away = abs((angles[cylinder] - opposite + 360.0) % 720.0 - 360.0)
    return away < WORK_DEG


def _find_accompanied(
    evidence: Evidence, probability: NDArray[np.float64], suspects: list[int]
) -> list[Rival]:
    """Find that two other cylinders lack torque beside the firings that the suspects lose.

    Of three cylinders one other: no more than half of an engine's cylinders need to be struck.
    Suspects are each other's company too, but for those of one coil, which fail together.
    """
    z, cylinder = evidence.torque.deficit_z, evidence.firings.cylinder
    engine = evidence.recording.job.engine
    lost = mark_lost(evidence, probability, suspects) & np.isfinite(z)
    if lost.sum() < LEAST_LOST:
        return []
    lacks = np.nan_to_num(z) >= max(FELT_Z, HALF * float(np.median(z[lost])))
    reach = engine.cylinders - 1
    beside = {c: _mark_near(lacks & (cylinder == c), reach) for c in engine.firing_order}
    together = {c: set(coil) & set(suspects) for coil in engine.shared_coils for c in coil}
    accompanied = np.zeros(z.size, bool)
    for c in suspects:
        others = [beside[k] for k in beside if k not in together.get(c, {c}) | {c}]
        company = np.sum(others, axis=0) if others else np.zeros(z.size)
        own = cylinder == c
        accompanied[own] = company[own] >= min(2, engine.cylinders - 2)
    usual = ~lost & np.isfinite(z) & np.isin(cylinder, suspects)
    odds = _weigh_company(accompanied, lost, usual)
    who = _name(suspects)
    text = (
        f"where combustions of {who} are lost, the neighbours in the firing order lose theirs too: "
        "that points to one cause for several cylinders (supply of the coils, fuel, a cut by the "
        "control unit, a rough road), not to a fault of one"
    )
    return [Rival("several_at_once", "engine", odds, text)]


def _mark_near(marked: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Mark the firings that have a marked one within so many on either side."""
    near = np.convolve(marked, np.ones(2 * reach + 1))[reach:][: marked.size]
    return np.asarray(near > 0.5)


def _weigh_company(
    company: NDArray[np.bool_], own: NDArray[np.bool_], elsewhere: NDArray[np.bool_]
) -> float:
    """Weigh one cause for several cylinders by how often other cylinders' trouble is beside it.

    Binomial: beside `own` firings in `BESIDE` of them, if the cause is the engine's; as often as
    beside the firings `elsewhere`, if it is not.
    """
    n, n_beside = int(own.sum()), int(company[own].sum())
    usual = (float(company[elsewhere].sum()) + 0.5) / (float(elsewhere.sum()) + 1.0)
    told = n_beside * np.log(BESIDE / usual) + (n - n_beside) * np.log(
        (1.0 - BESIDE) / max(1.0 - usual, 1e-9)
    )
    return float(np.clip(np.log(ENGINE_PRIOR) + told, -MOST_ODDS, MOST_ODDS))


def _name(cylinders: list[int]) -> str:
    """Name cylinders: "cylinder 1", "cylinders 1 and 4"."""
    return f"cylinder{'s' * (len(cylinders) > 1)} {join_words([str(c) for c in cylinders])}"


def _find_felt(
    evidence: Evidence,
    probability: NDArray[np.float64],
    suspects: list[int],
    outstanding: NDArray[np.bool_],
) -> list[int]:
    """List the cylinders that lack torque as often, if torque alone accuses the suspects."""
    z, cylinder = evidence.torque.deficit_z, evidence.firings.cylinder
    lost = mark_lost(evidence, probability, suspects) & np.isfinite(z)
    if lost.sum() >= LEAST_LOST:
        as_much = np.nan_to_num(z) >= max(FELT_Z, HALF * float(np.median(z[lost])))
    else:  # suspected for no single firing: those that stand out by themselves
        as_much = outstanding
    n = evidence.recording.job.engine.cylinders
    counts = _count_by_cylinder(cylinder[as_much], n)
    most = max(counts[c - 1] for c in suspects)
    least = max(LEAST_FELT, ALIKE * most)
    return [c for c in range(1, n + 1) if counts[c - 1] >= least]


def _find_losing_too(
    evidence: Evidence, probability: NDArray[np.float64], lost: NDArray[np.float64]
) -> list[int]:
    """List the cylinders that lose more than a sound one, apart from what the worst one loses.

    Each by itself, or those together of which each loses too little to say so. A lost stroke shakes
    those about it: what is called lost there may be the worst cylinder's.
    """
    cylinder, n = evidence.firings.cylinder, lost.size
    worst = int(np.argmax(lost)) + 1
    is_lost = _mark_lost_or_off(evidence, probability)
    apart = ~_mark_near(is_lost & (cylinder == worst), n)
    own, fired = (_count_by_cylinder(cylinder[rows], n) for rows in (is_lost & apart, apart))
    expected = np.maximum(SOUND_LOSES * fired, 1e-9)
    losing = compute_surprise(own, expected) >= SURELY
    few = ~losing & (np.arange(1, n + 1) != worst)
    if np.count_nonzero(own[few]) > 1:
        together = compute_surprise(own[few].sum(keepdims=True), expected[few].sum(keepdims=True))
        losing |= few & (own > 0) & (together >= SURELY)
    return [int(c) for c in np.flatnonzero(losing) + 1]


def _count_lost(
    evidence: Evidence, probability: NDArray[np.float64], n: int
) -> NDArray[np.float64]:
    """Count each cylinder's firings that were lost, or that its coil was not switched for."""
    lost = _mark_lost_or_off(evidence, probability)
    return _count_by_cylinder(evidence.firings.cylinder[lost], n)


def _count_by_cylinder(cylinder: NDArray[np.int64], n: int) -> NDArray[np.float64]:
    """Count the firings of each cylinder."""
    return np.bincount(cylinder, minlength=n + 1)[1 : n + 1].astype(float)


def _mark_lost_or_off(evidence: Evidence, probability: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark the firings that were lost, or that the coil was not switched for."""
    off = (evidence.strokes["flags"].astype(np.int64) & STROKE_FLAGS["no_dwell"]) != 0
    return np.asarray((np.nan_to_num(probability) >= 0.5) | off)


def _share_a_coil(
    cylinders: list[int], engine: Engine, faults: NDArray[np.float64], *, dark: bool
) -> bool:
    """Tell whether one coil's fault, and nothing of the whole engine, has all of them.

    Where the sparks of a distributor are seen to fail (`dark`), so may the lead from the coil, the
    rotor or the cap, which all cylinders share as well.
    """
    if engine.ignition == "distributor":
        of_all = [FAULT_TYPES.index(t) for t in (OF_LOOP if dark else SHARED)]
        return min(float(faults[c - 1, of_all].sum()) for c in cylinders) > OF_COIL
    if engine.ignition == "wasted_spark":
        of_pair = [FAULT_TYPES.index(t) for t in OF_LOOP]
        likely = max(float(faults[c - 1, of_pair].sum()) for c in cylinders)
        return likely >= LIKELY and any(set(cylinders) <= set(p) for p in engine.waste_pairs)
    return False
