"""What a workshop's confirmed cases teach a model that is there, with strong shrinkage.

Four things, each with a prior that a few cases hardly move: how common the kinds of fault are, how
much each witness of them is to be trusted, which of them a look of a cylinder's firings meant, and
what the usual spark of its sound cylinders looks like. Of a confirmed case only cylinder and fault
are known; which firings were sound is told by the judge's own table. The ensembles stay as they
are: twenty cases cannot teach a tree.

Widths within one recording are not learned: each recording tells its own (`reference.py`).
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.classify.familiarity import Familiar
from misfire.classify.learned import LOOKS, NOTHING, TRUSTED, Leaning, Learned
from misfire.classify.model import Model
from misfire.diagnosis.firings.explanation import (
    LAPSE,
    share_causes,
    weigh_causes,
    weigh_standing,
)
from misfire.diagnosis.firings.states import KIND_PRIOR, KINDS, POPULATION
from misfire.diagnosis.judging import Judgement, judge
from misfire.diagnosis.looks import measure_looks
from misfire.diagnosis.verdict import judge_evidence
from misfire.fitness.descriptors import DESCRIPTORS, describe_vehicle
from misfire.learning.cases import LabelledCase
from misfire.learning.fitting import hash_cases
from misfire.records import SPARK_STATES, WORK_STATES

Progress = Callable[[str, float], None]

# Cases without evidence that the written frequencies of the kinds count for, and the spreads of the
# log of a trust about 0 and of what a look leans towards. Found on workshops drawn from simulated
# vehicles, with odd frequencies, engines and ways of drawing: at 20 cases twice as many prior cases
# cost a quarter of the gain, half as many gained no more and made more workshops worse.
PRIOR_CASES, TRUST_PRIOR, LEANING_PRIOR = 10.0, 0.4, 0.5
N_KINDS, COMMON = len(KINDS), np.array([KIND_PRIOR[kind] for kind in KINDS])
STEP = 1e-4  # of the log of a trust, for its slope
PRIOR_COILS = 20.0  # vehicles that the written usual spark counts for
LEAST_SEEN = 5  # sound firings of a cylinder from which its usual spark is told
SURE_USUAL = 0.6  # probability of a usual spark from which a firing is taken for sound
LEAST_REAL = 10  # vehicles of the workshop that may move the calibration of the cylinders
SLOPE_PRIOR, OFFSET_PRIOR = 0.25, 0.75  # see `adapt_line`; in log odds


@dataclass(frozen=True, slots=True)
class Taught:
    """One confirmed case as the model that is there judged it."""

    case: LabelledCase
    judgement: Judgement


def adapt(model: Model, taught: Sequence[Taught]) -> Model:
    """Let confirmed cases correct a model.

    Parameters
    ----------
    model : Model
        The one that is there. What it had learned from cases before is left out: give all cases.
    taught : sequence of Taught
        From `teach` with that model. Cases whose cylinders cannot be told apart teach nothing but
        what is usual.

    Returns
    -------
    adapted : Model
        The same ensembles, with `learned` and `weights` of its own. Without cases: the same model.
    """
    plain = replace(model, learned=NOTHING)
    if not taught:
        return plain
    cases = [one.case for one in taught]
    usual = learn_usual(taught)
    return replace(
        plain,
        learned=replace(learn_kinds(taught, usual), usual=usual, n_cases=len(cases)),
        weights=_learn_weights(taught, plain.weights),
        familiar=_add_familiar(model.familiar, cases),
        manifest=_tell(model, cases),
    )


def _tell(model: Model, cases: Sequence[LabelledCase]) -> dict[str, Any]:
    """Say in the manifest what was learned from beside the training of the model."""
    before = str(model.manifest.get("training_sha256", ""))
    n = len({c.group for c in cases})
    return dict(model.manifest) | {
        "vehicles": int(model.manifest.get("simulated_vehicles", 0)) + n,
        "confirmed_cases": len(cases),
        "training_sha256": hashlib.sha256((before + hash_cases(cases)).encode()).hexdigest(),
    }


def _add_familiar(familiar: Familiar | None, cases: Sequence[LabelledCase]) -> Familiar | None:
    """Make the confirmed vehicles familiar; the limit stays that of the training."""
    told = [c.measured.evidence for c in cases if c.measured is not None]
    if familiar is None or not told or familiar.names != DESCRIPTORS:
        return familiar
    rows = familiar.standardise(np.stack([describe_vehicle(e) for e in told]))
    return replace(familiar, rows=np.concatenate((familiar.rows, rows)))


def teach(
    model: Model, cases: Sequence[LabelledCase], *, progress: Progress | None = None
) -> list[Taught]:
    """Judge every case once, by a model without what it learned from cases before.

    Parameters
    ----------
    model : Model
    cases : sequence of LabelledCase
    progress : callable (stage, fraction), optional

    Returns
    -------
    taught : list of Taught
    """
    model = replace(model, learned=NOTHING)
    found = []
    for done, case in enumerate(cases, start=1):
        if case.measured is not None:
            judgement = judge_evidence(case.measured.evidence, model=model)
        else:
            judgement = judge(
                model,
                case.table,
                case.cylinder,
                n_cylinders=case.n_cylinders,
                disturbed=case.disturbed,
            )
        found.append(Taught(case, judgement))
        if progress is not None:
            progress("learning from cases", done / len(cases))
    return found


def learn_usual(taught: Sequence[Taught]) -> dict[str, tuple[float, float]]:
    """Learn centre and spread of what a usual spark of a sound cylinder measures.

    Parameters
    ----------
    taught : sequence of Taught

    Returns
    -------
    usual : dict measure -> (centre, spread)
        Of `POPULATION`, those that any vehicle shows.

    Notes
    -----
    Mean and variance of a normal law with their conjugate prior (normal-inverse-gamma), the vehicle
    being the unit: Gelman et al., "Bayesian Data Analysis", section 3.3 (from memory).
    """
    seen: dict[str, dict[str, list[float]]] = {name: {} for name in POPULATION}
    usual_state = SPARK_STATES.index("usual")
    for one in taught:
        case, told = one.case, one.judgement.explanation
        faulty = set(case.faulty)
        if not case.resolved and faulty:
            faulty = set(range(1, case.n_cylinders + 1))
        sound = (told.spark == usual_state) & (np.nan_to_num(told.spark_probability) >= SURE_USUAL)
        sound &= ~np.isin(case.cylinder, list(faulty))
        for name, vehicles in seen.items():
            values = case.table[name].to_numpy(float)
            for c in np.unique(case.cylinder[sound]):
                own = values[sound & (case.cylinder == c)]
                own = own[np.isfinite(own)]
                if own.size >= LEAST_SEEN:
                    vehicles.setdefault(case.group, []).append(float(np.median(own)))
    learned = {}
    for name, vehicles in seen.items():
        means = np.array([np.mean(v) for v in vehicles.values()])
        if means.size:
            learned[name] = _update_normal(means, *POPULATION[name])
    return learned


def _update_normal(
    values: NDArray[np.float64], centre: float, spread: float
) -> tuple[float, float]:
    """Give centre and spread once values are seen, the written ones counting for `PRIOR_COILS`."""
    n, mean = values.size, float(values.mean())
    total = PRIOR_COILS + n
    squares = PRIOR_COILS * spread**2 + float(((values - mean) ** 2).sum())
    squares += PRIOR_COILS * n / total * (mean - centre) ** 2
    return (PRIOR_COILS * centre + n * mean) / total, float(np.sqrt(squares / total))


@dataclass(frozen=True, slots=True)
class _Known:
    """Cylinders whose kind of fault is known: witnesses, looks, place of the kind, voice."""

    weighed: NDArray[np.float64]
    looks: NDArray[np.float64]
    kind: NDArray[np.int64]
    voice: NDArray[np.float64]


def learn_kinds(taught: Sequence[Taught], usual: Mapping[str, tuple[float, float]]) -> Learned:
    """Learn how common the kinds of fault are, whom to trust, and what looks of firings meant.

    Parameters
    ----------
    taught : sequence of Taught
    usual : mapping measure -> (centre, spread)
        From `learn_usual`.

    Returns
    -------
    learned : Learned
        `kind_odds`, `trust` and `leanings`; empty where no faulty cylinder is known.

    Notes
    -----
    The likeliest values for the confirmed kinds, by the judge's own shares. Frequencies have a
    Dirichlet prior of `PRIOR_CASES` cases in which nothing was seen, trusts a log-normal one,
    leanings a normal one. Looks are set against their mean over the cases, so that what all cases
    share is told by the frequencies.
    """
    from scipy.optimize import minimize

    known = _gather_known(taught, usual)
    if known is None:
        return Learned()
    centre = (known.voice @ known.looks) / known.voice.sum()
    apart = replace(known, looks=known.looks - centre)
    start = np.zeros(N_KINDS + len(TRUSTED) + len(LOOKS) * N_KINDS)
    bounds = [(-3.0, 3.0)] * start.size
    found = minimize(_lose, start, args=(apart,), jac=True, method="L-BFGS-B", bounds=bounds).x
    found[:N_KINDS] -= float(COMMON @ found[:N_KINDS])  # all alike say nothing
    odds, trust, towards = _part(np.round(found, 6))  # the same on every machine
    return Learned(
        kind_odds=dict(zip(KINDS, odds.tolist(), strict=True)),
        trust=dict(zip(TRUSTED, trust.tolist(), strict=True)),
        leanings={
            look: Leaning(round(float(at), 6), dict(zip(KINDS, row.tolist(), strict=True)))
            for look, at, row in zip(LOOKS, centre, towards, strict=True)
        },
    )


def _gather_known(
    taught: Sequence[Taught], usual: Mapping[str, tuple[float, float]]
) -> _Known | None:
    """Lay out the faulty cylinders of cases that tell their cylinders apart; None without any."""
    kinds = list(KINDS)
    counted = Counter(t.case.group for t in taught for _ in t.case.faulty)
    weighed, looks, kind, voice = [], [], [], []
    for one in taught:
        if not one.case.resolved or not one.case.faulty:
            continue
        again = _weigh_again(one, usual)
        looked = measure_looks(one.judgement.explanation.table)
        for cylinder, name in sorted(one.case.faulty.items()):
            weighed.append(again[cylinder - 1])
            looks.append(looked[cylinder - 1])
            kind.append(kinds.index(name))
            voice.append(1.0 / counted[one.case.group])  # a vehicle has one voice
    if not kind:
        return None
    return _Known(np.stack(weighed), np.stack(looks), np.array(kind), np.array(voice))


def _part(
    x: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Part the numbers that are sought: odds of the kinds, trusts, and what looks lean towards."""
    n = N_KINDS + len(TRUSTED)
    return x[:N_KINDS], np.exp(x[N_KINDS:n]), x[n:].reshape(len(LOOKS), N_KINDS)


def _lose(x: NDArray[np.float64], known: _Known) -> tuple[float, NDArray[np.float64]]:
    """Log loss of the confirmed kinds with the priors of what is sought, and its gradient."""
    odds, trust, towards = _part(x)
    learned = Learned(dict(zip(KINDS, odds.tolist(), strict=True)))
    blind = np.log(COMMON) + odds
    blind = np.exp(blind - np.logaddexp.reduce(blind))
    lean = known.looks @ towards

    def weigh(log_trust: NDArray[np.float64]) -> NDArray[np.float64]:
        trusted = dict(zip(TRUSTED, np.exp(log_trust).tolist(), strict=True))
        return weigh_causes(known.weighed, Learned(trust=trusted)) + lean

    log_trust = np.log(trust)
    likely = weigh(log_trust)
    shares = share_causes(likely, learned)
    rows = np.arange(known.kind.size)
    said = np.maximum(shares[rows, known.kind], 1e-12)
    loss = -float(known.voice @ np.log(said))
    loss -= PRIOR_CASES * float(COMMON @ np.log(blind))
    loss += 0.5 * float(((log_trust / TRUST_PRIOR) ** 2).sum())
    loss += 0.5 * float(((towards / LEANING_PRIOR) ** 2).sum())
    told = (shares - LAPSE * blind) / (1.0 - LAPSE)  # of what is written down
    truth = np.eye(N_KINDS)[known.kind]
    by_told = (known.voice * (1.0 - LAPSE) * told[rows, known.kind] / said)[:, None]
    by_blind = (known.voice * LAPSE * blind[known.kind] / said)[:, None]
    of_likely = by_told * (told - truth)
    of_odds = of_likely.sum(axis=0) + (by_blind * (blind - truth)).sum(axis=0)
    of_odds += PRIOR_CASES * (blind - COMMON)
    of_trust = log_trust / TRUST_PRIOR**2
    for i, step in enumerate(STEP * np.eye(log_trust.size)):
        moved = (weigh(log_trust + step) - weigh(log_trust - step)) / (2.0 * STEP)
        of_trust[i] += float((of_likely * moved).sum())
    of_towards = known.looks.T @ of_likely + towards / LEANING_PRIOR**2
    return loss, np.concatenate((of_odds, of_trust, of_towards.ravel()))


def _weigh_again(one: Taught, usual: Mapping[str, tuple[float, float]]) -> NDArray[np.float64]:
    """Give what the witnesses of the kinds say, the usual spark by what was learned of it."""
    case, told = one.case, one.judgement.explanation
    if not usual:
        return told.weighed
    standing = weigh_standing(
        case.table,
        case.cylinder,
        told.work == WORK_STATES.index("cut"),
        n_cylinders=case.n_cylinders,
        learned=Learned(usual=usual),
    )
    weighed = told.weighed.copy()
    weighed[:, 2] = standing
    return weighed


def _learn_weights(
    taught: Sequence[Taught], weights: tuple[float, float, float]
) -> tuple[float, float, float]:
    """Adapt how sure the judge is that a cylinder is at fault."""
    odds, beside, label, voice, groups = [], [], [], [], set()
    counted = Counter(t.case.group for t in taught for _ in t.case.faulty)
    for one in taught:
        if one.case.resolved or not one.case.faulty:
            addends = one.judgement.addends
            odds += addends[:, :3].sum(axis=1).tolist()
            beside += addends[:, 3:].sum(axis=1).tolist()  # compression and coil stay as they are
            label += [c + 1 in one.case.faulty for c in range(len(addends))]
            # one coil's fault in all cylinders is one fault
            share = 1.0 / max(counted[one.case.group], 1)
            voice += [share if c + 1 in one.case.faulty else 1.0 for c in range(len(addends))]
            groups.add(one.case.group)
    slope, offset = adapt_line(
        np.array(odds),
        np.array(label, bool),
        n_vehicles=len(groups),
        beside=np.array(beside),
        voice=np.array(voice),
    )
    prior, pattern, firings = weights
    return slope * prior + offset, slope * pattern, slope * firings


def adapt_line(
    odds: NDArray[np.float64],
    label: NDArray[np.bool_],
    *,
    n_vehicles: int,
    beside: NDArray[np.float64] | float = 0.0,
    voice: NDArray[np.float64] | float = 1.0,
) -> tuple[float, float]:
    """Slope and offset that fit log odds to the workshop's vehicles, as far as they can tell.

    Parameters
    ----------
    odds : float64 array [shape=(n,)]
        Log odds that each cylinder is at fault.
    label : bool array [shape=(n,)]
    n_vehicles : int
        Fewer than `LEAST_REAL` change nothing.
    beside : float64 array [shape=(n,)], optional
        Log odds that are added as they are.
    voice : float64 array [shape=(n,)], optional
        How much each cylinder counts.

    Returns
    -------
    slope, offset : float

    Notes
    -----
    Simulated vehicles say what evidence means on vehicles as they were drawn; the workshop's are
    others. The likeliest line over what the simulated ones gave, with normal priors
    1 +- SLOPE_PRIOR and 0 +- OFFSET_PRIOR.
    """
    if n_vehicles < LEAST_REAL or label.all() or not label.any():
        return 1.0, 0.0
    from scipy.optimize import minimize

    def loss(line: NDArray[np.float64]) -> float:
        x = line[0] * odds + line[1] + beside
        likelihood = (voice * np.logaddexp(0.0, np.where(label, -x, x))).sum()
        prior = ((line[0] - 1.0) / SLOPE_PRIOR) ** 2 + (line[1] / OFFSET_PRIOR) ** 2
        return float(likelihood + 0.5 * prior)

    slope, offset = minimize(loss, np.array([1.0, 0.0]), bounds=((0.1, 3.0), (-5.0, 5.0))).x
    return float(slope), float(offset)
