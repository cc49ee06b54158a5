"""What a workshop's confirmed cases teach a model that is there, with strong shrinkage.

Three things, each with a prior that a few cases hardly move: how common the kinds of fault are, how
much each witness of them is to be trusted, and what the usual spark of its sound cylinders looks
like. Of a confirmed case only cylinder and fault are known; which firings were sound is told by the
judge's own table. The ensembles stay as they are: twenty cases cannot teach a tree.

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
from misfire.classify.learned import NOTHING, TRUSTED, Learned
from misfire.classify.model import Model
from misfire.diagnosis.firings.explanation import share_causes, weigh_causes, weigh_standing
from misfire.diagnosis.firings.states import KIND_PRIOR, KINDS, POPULATION
from misfire.diagnosis.judging import Judgement, judge
from misfire.diagnosis.verdict import judge_evidence
from misfire.fitness.descriptors import DESCRIPTORS, describe_vehicle
from misfire.learning.cases import LabelledCase
from misfire.learning.fitting import hash_cases
from misfire.records import SPARK_STATES, WORK_STATES

Progress = Callable[[str, float], None]

PRIOR_CASES = 20.0  # cases without evidence that the written frequencies of the kinds count for
TRUST_PRIOR = 0.3  # of the log of a trust about 0
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
    kind_odds, trust = learn_kinds(taught, usual)
    return replace(
        plain,
        learned=Learned(kind_odds, trust, usual, len(cases)),
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


def learn_kinds(
    taught: Sequence[Taught], usual: Mapping[str, tuple[float, float]]
) -> tuple[dict[str, float], dict[str, float]]:
    """Learn how common the kinds of fault are and how much each witness is to be trusted.

    Parameters
    ----------
    taught : sequence of Taught
    usual : mapping measure -> (centre, spread)
        From `learn_usual`.

    Returns
    -------
    kind_odds : dict kind -> float
    trust : dict witness -> float
        Both empty where no faulty cylinder is known.

    Notes
    -----
    The likeliest values for the confirmed kinds, by the judge's own shares. Frequencies have a
    Dirichlet prior of `PRIOR_CASES` cases in which nothing was seen, trusts a log-normal one.
    """
    from scipy.optimize import minimize

    kinds = list(KINDS)
    rows, truth, weight = [], [], []
    counted = Counter(t.case.group for t in taught for _ in t.case.faulty)
    for one in taught:
        if not one.case.resolved:
            continue
        if not one.case.faulty:
            continue
        told = _weigh_again(one, usual)
        for cylinder, kind in sorted(one.case.faulty.items()):
            rows.append(told[cylinder - 1])
            truth.append(kinds.index(kind))
            weight.append(1.0 / counted[one.case.group])  # a vehicle has one voice
    if not rows:
        return {}, {}
    weighed, at, voice = np.stack(rows), np.array(truth), np.array(weight)
    common = np.array([KIND_PRIOR[k] for k in kinds])

    def unpack(x: NDArray[np.float64]) -> Learned:
        odds, trust = x[: len(kinds)], np.exp(x[len(kinds) :])
        return Learned(
            dict(zip(kinds, odds.tolist(), strict=True)),
            dict(zip(TRUSTED, trust.tolist(), strict=True)),
        )

    def loss(x: NDArray[np.float64]) -> float:
        learned = unpack(x)
        shares = share_causes(weigh_causes(weighed, learned), learned)[np.arange(at.size), at]
        blind = np.log(common) + x[: len(kinds)]
        blind -= np.logaddexp.reduce(blind)
        value = -float(voice @ np.log(np.maximum(shares, 1e-12)))
        value -= PRIOR_CASES * float(common @ blind)
        return value + 0.5 * float(((x[len(kinds) :] / TRUST_PRIOR) ** 2).sum())

    start = np.zeros(len(kinds) + len(TRUSTED))
    found = minimize(loss, start, method="L-BFGS-B", bounds=[(-3.0, 3.0)] * start.size).x
    found[: len(kinds)] -= float(common @ found[: len(kinds)])  # all alike say nothing
    learned = unpack(np.round(found, 6))  # the same on every machine
    return dict(learned.kind_odds), dict(learned.trust)


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
