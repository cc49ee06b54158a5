"""Each cylinder's firings explained together: states of every firing, and the kinds of fault.

A cylinder is the table of its firings, spark by work. Its shares and the states of its firings are
estimated in turn (expectation maximisation of a mixture). For the kind of fault every firing is
either a sound one or came about in one of the ways of that kind; the kinds are compared by the
likelihood of all firings, so what nothing shows counts for none of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.classify.learned import NOTHING, TRUSTED, Learned
from misfire.diagnosis.firings.firingstates import (
    NAMES,
    ROUNDS,
    TINY,
    FiringStates,
    find_odd,
)
from misfire.diagnosis.firings.sealwitness import weigh_approach
from misfire.diagnosis.firings.sparkwitness import (
    find_feeble,
    forget_severity,
    weigh_sparks,
    weigh_usual,
)
from misfire.diagnosis.firings.states import (
    INDEPENDENT,
    KIND_PRIOR,
    KINDS,
    MECHANISMS,
    STANDING_WAY,
)
from misfire.diagnosis.firings.workwitness import (
    FAILED_OF,
    weigh_feeding,
    weigh_injection,
    weigh_work,
)
from misfire.limits import FAULTY
from misfire.records import FAULT_TYPES, SPARK_STATES, WORK_STATES

if TYPE_CHECKING:
    import pandas as pd

LEAK = list(KINDS).index("low_compression")
OF_KIND_FIRINGS = 4.0  # firings by which the ways of a kind are held to be as likely
MOSTLY = 0.6  # of a cylinder's sparks: odd so often they may differ by their channel, and whether
# some of them are bad is asked of the cylinder by itself
LIGHTING = 0.3  # share of a mechanism's sparks that do their work: then all of one cylinder's may
ALWAYS = 0.5  # least share of its firings in which a leaking cylinder works less
STANDING = ("open_secondary", "fouled_plug", "weak_coil")
IN_EVERY_FIRING = 0.3  # of a spark's faults, those that hide by being in every firing alike
LAPSE = 0.1  # of recordings whose fault is of none of the ways written down
# Of the evidence, between kinds: measures of one coil err together (fitted, with LAPSE)
KIND_TEMPER = 0.2
CRANK_PRIOR = 0.02  # of the kinds: the sensor or its wheel alone (common practice, rough)
DISTURBED = 0.005  # share of firings with pulses missing or extra: a sensor at fault shows more
CRANK_LIKES = 40.0  # times as likely there; each firing that is odd beside it speaks against it


@dataclass(frozen=True, slots=True)
class Explanation:
    """States of all firings of a recording, and what they say of each cylinder's kind of fault.

    `spark`, `work` [int8, shape=(n_firings,)]: places in SPARK_STATES and WORK_STATES of the
    likeliest state; `spark_probability`, `work_probability` theirs. `lost` [shape=(n_firings,)]:
    probability that the combustion was lost, NaN where nothing shows it. `kinds`
    [shape=(n_cylinders, len(FAULT_TYPES))]: shares of the kinds, were the cylinder faulty.
    `weighed` [shape=(n_cylinders, 4, len(KINDS))]: they rest on log likelihoods by the firings
    one by one; by the same, were the fault in all of them alike; by the usual spark (minus infinity
    for kinds that it does not show); by compression.
    `likely` [shape=(n_cylinders, len(KINDS))]: by it the kinds are shared out, up to a constant a
    cylinder; `misfit` [shape=(n_cylinders,)]: log likelihood of all kinds together over a sound
    cylinder, by how common they are.
    `table` [shape=(n_cylinders, len(SPARK_STATES), len(WORK_STATES))]: firings by their likeliest
    states; `odd_log` [shape=(n_cylinders,)]: log likelihood of some odd sparks over none;
    `odd_share`: of the sparks that are seen, those that are odd.
    """

    spark: NDArray[np.int8]
    spark_probability: NDArray[np.float64]
    work: NDArray[np.int8]
    work_probability: NDArray[np.float64]
    lost: NDArray[np.float64]
    kinds: NDArray[np.float64]
    weighed: NDArray[np.float64]
    likely: NDArray[np.float64]
    misfit: NDArray[np.float64]
    table: NDArray[np.float64]
    odd_log: NDArray[np.float64]
    odd_share: NDArray[np.float64]


def explain(
    table: pd.DataFrame,
    cylinder: NDArray[np.int64],
    *,
    faulty: NDArray[np.float64],
    disturbed: NDArray[np.bool_],
    compression: NDArray[np.float64] | float = 0.0,
    learned: Learned = NOTHING,
) -> Explanation:
    """Find the state of every firing and the likelihood of each kind of fault.

    Parameters
    ----------
    table : DataFrame [columns=FIRING_COLUMNS]
        In time order.
    cylinder : int64 array [shape=(n_firings,)]
    faulty : float64 array [shape=(n_cylinders,)]
        Probability that each cylinder has a fault.
    disturbed : bool array [shape=(n_firings,)]
        Crank pulses missing or extra within the power stroke.
    compression : float64 array [shape=(n_cylinders,)], optional
        Log likelihood ratio of a leak by the starter, see `weigh_compression`: of the kinds; for
        whether a cylinder is at fault it counts by itself.
    learned : Learned
        What confirmed cases taught of the kinds of fault and of sound coils.

    Returns
    -------
    explanation : Explanation

    Notes
    -----
    Source: Dempster, Laird, Rubin, "Maximum likelihood from incomplete data via the EM algorithm",
    Journal of the Royal Statistical Society B 39 (1977) 1 (from memory).
    """
    n, n_cylinders = len(table), faulty.size
    by_size = weigh_sparks(table, cylinder, n_cylinders=n_cylinders)
    sparks = forget_severity(by_size)
    torque, cut = weigh_work(table, cylinder, faulty=faulty)
    failed = table["injector_failed"].to_numpy(float)
    works = torque + weigh_injection(table["injector_missing"].to_numpy(float))
    # What kind of fault it would be is asked of a faulty cylinder, whose lack is not the wheel's.
    torque_if_faulty, _ = weigh_work(table, cylinder, faulty=np.ones(n_cylinders))
    feeble = find_feeble(table, sparks.argmax(axis=1) == 0, cylinder, n_cylinders)
    lines = np.isfinite(table["no_breakdown"].to_numpy(float))
    approach = table["approach_z"].to_numpy(float)
    states = FiringStates.of_nothing(n)
    evidence, of_kinds, sealing, harmless = (np.zeros((n_cylinders, len(KINDS))) for _ in range(4))
    alike, odd_log, odd_share = (np.zeros(n_cylinders) for _ in range(3))
    by_itself = None
    usual_approach = np.full(n_cylinders, np.nan)
    counts = np.zeros((n_cylinders, len(SPARK_STATES), len(WORK_STATES)))
    for c in range(1, n_cylinders + 1):
        own = np.flatnonzero(cylinder == c)
        if own.size == 0:
            continue
        odd_log[c - 1], odd_share[c - 1] = states.find(
            own, by_size, works, feeble, cut=cut, faulty=faulty[c - 1], lines=lines
        )
        if odd_share[c - 1] > MOSTLY:
            if by_itself is None:
                by_itself = weigh_sparks(table, cylinder, n_cylinders=n_cylinders, by_itself=True)
            odd_log[c - 1], odd_share[c - 1] = find_odd(by_itself[own], ~cut[own], lines[own])
        counts[c - 1] = states.count(own)
        used = own[~cut[own]]
        evidence[c - 1], alike[c - 1], harmless[c - 1] = _weigh_kinds(
            sparks[used], torque[used], failed[used]
        )
        of_kinds[c - 1] = evidence[c - 1]
        if faulty[c - 1] < FAULTY:
            of_kinds[c - 1], alike[c - 1], _ = _weigh_kinds(
                sparks[used], torque_if_faulty[used], failed[used]
            )
        usual_approach[c - 1] = _find_usual(approach[used])
    sealing[:, LEAK] = weigh_approach(usual_approach)
    prior = np.log([KIND_PRIOR[k] for k in KINDS])
    misfit = np.logaddexp.reduce(evidence + sealing + prior, axis=1)
    misfit -= np.logaddexp(0.0, np.logaddexp.reduce(harmless + prior, axis=1))
    sealing[:, LEAK] += compression
    standing = weigh_standing(table, cylinder, cut, n_cylinders=n_cylinders, learned=learned)
    always = np.broadcast_to(alike[:, None], of_kinds.shape)
    weighed = np.stack((of_kinds, always, standing, sealing), axis=1)
    likely = weigh_causes(weighed, learned)
    shares = share_causes(likely, learned)
    kinds = _share_kinds(shares, counts, disturbed=float(disturbed.mean()) if n else 0.0)
    return Explanation(
        spark=states.spark,
        spark_probability=states.spark_probability,
        work=states.work,
        work_probability=states.work_probability,
        lost=states.lost,
        kinds=kinds,
        weighed=weighed,
        likely=likely,
        misfit=misfit,
        table=counts,
        odd_log=odd_log,
        odd_share=odd_share,
    )


def weigh_causes(weighed: NDArray[np.float64], learned: Learned = NOTHING) -> NDArray[np.float64]:
    """Put together what the witnesses of the kinds say, each by how much it is trusted.

    Parameters
    ----------
    weighed : float64 array [shape=(n_cylinders, 4, len(KINDS))]
        As in `Explanation`.
    learned : Learned

    Returns
    -------
    likely : float64 array [shape=(n_cylinders, len(KINDS))]
        Log likelihood of each kind, as one that comes and goes or as one that is always there.
    """
    firings, usual, compression = (learned.trust.get(name, 1.0) for name in TRUSTED)
    of_kinds, alike, standing, sealing = np.moveaxis(weighed, 1, 0)
    stands = np.isfinite(standing)
    often = np.where(stands, np.log1p(-IN_EVERY_FIRING), 0.0)
    always = KIND_TEMPER * firings * alike + usual * np.where(stands, standing, 0.0)
    always = np.where(stands, always + np.log(IN_EVERY_FIRING), -np.inf)
    likely = np.logaddexp(KIND_TEMPER * firings * of_kinds + often, always)
    return np.asarray(likely + compression * sealing)


def share_causes(likely: NDArray[np.float64], learned: Learned = NOTHING) -> NDArray[np.float64]:
    """Share out the kinds of fault that a cylinder itself can have.

    Parameters
    ----------
    likely : float64 array [shape=(n_cylinders, len(KINDS))]
    learned : Learned

    Returns
    -------
    shares : float64 array [shape=(n_cylinders, len(KINDS))]
        Rows sum to 1.
    """
    prior = np.array([np.log(KIND_PRIOR[k]) + learned.kind_odds.get(k, 0.0) for k in KINDS])
    prior -= np.logaddexp.reduce(prior)
    odds = likely + prior
    shares = np.exp(odds - odds.max(axis=1, keepdims=True))
    shares /= shares.sum(axis=1, keepdims=True)
    return np.asarray((1.0 - LAPSE) * shares + LAPSE * np.exp(prior))


def _share_kinds(
    shares: NDArray[np.float64], counts: NDArray[np.float64], *, disturbed: float
) -> NDArray[np.float64]:
    """Shares of all fault types of every cylinder, were it faulty; rows sum to 1."""
    kinds = np.zeros((shares.shape[0], len(FAULT_TYPES)))
    for number, kind in enumerate(KINDS):
        kinds[:, FAULT_TYPES.index(kind)] = shares[:, number]
    odd = counts[:, 1:-1].sum(axis=(1, 2)) + counts[:, [0, -1], 1:3].sum(axis=(1, 2))
    sensor = CRANK_PRIOR * (CRANK_LIKES if disturbed > DISTURBED else 1.0) / (1.0 + odd)
    kinds *= 1.0 - sensor[:, None]
    kinds[:, FAULT_TYPES.index("crank_signal")] = sensor
    return kinds


def _weigh_kinds(
    sparks: NDArray[np.float64], works: NDArray[np.float64], failed: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float, NDArray[np.float64]]:
    """Tempered log likelihood of each kind of fault over a sound cylinder, and of STANDING_WAY.

    By spark, torque and injector of all firings, each of which is a sound one or came about in one
    of the ways of that kind. The last: of each kind, did its sparks all light their charges, as far
    as such sparks can.
    """
    n = sparks.shape[0]
    every = [*KINDS.items(), ("standing", STANDING_WAY)]
    weighed, harmless, n_odd = np.zeros(len(every)), np.zeros(len(every)), np.ones(len(every))
    if n == 0:
        return weighed[:-1], 0.0, harmless[:-1]
    fed = {way: weigh_feeding(failed, way) for way in FAILED_OF}
    sound = sparks[:, 0] + works[:, 0] + fed["usual"]
    for number, (kind, ways) in enumerate(every):
        leak = kind == "low_compression"
        of_works = np.array([work for _, work, _ in ways])
        feeding = np.stack([fed[feeding] for *_, feeding in ways], axis=1)
        by_way = sparks[:, [NAMES.index(way) for way, *_ in ways]] + feeding
        log_parts = (by_way[:, :, None] + works[:, None, :]).reshape(n, -1)
        most = np.maximum(sound, log_parts.max(axis=1))
        parts, plain = np.exp(log_parts - most[:, None]), np.exp(sound - most)
        of_ways = np.full(len(ways), 1.0 / len(ways))
        odd = 0.9 if leak else 0.3
        for _ in range(ROUNDS):
            share = (of_ways[:, None] * of_works).ravel()
            total = np.maximum((1.0 - odd) * plain + odd * (parts @ share), TINY)
            found = odd * share * (parts.T @ (1.0 / total))
            n_found = found.reshape(of_works.shape).sum(axis=1)
            odd = (float(n_found.sum()) + 0.3) / (n + 1.0)
            odd = float(np.clip(odd, ALWAYS if leak else 1e-4, 0.995))
            of_ways = n_found + OF_KIND_FIRINGS / len(ways)
            of_ways /= of_ways.sum()
        share = (of_ways[:, None] * of_works).ravel()
        each = np.log(np.maximum((1.0 - odd) * plain + odd * (parts @ share), TINY)) + most - sound
        weighed[number] = float(each.sum()) - 0.5 * np.log(n)
        lit = of_ways * [_find_lighting(way) for way, *_ in ways]
        done = parts.reshape(n, len(ways), -1)[:, :, 0] @ lit
        each = np.log(np.maximum((1.0 - odd) * plain + odd * done, TINY)) + most - sound
        harmless[number] = float(each.sum()) - 0.5 * np.log(n)
        n_odd[number] = max(1.0, odd * n)
    best = n_odd[int(weighed.argmax())]  # one measure for all, or the kinds could not be compared
    temper = INDEPENDENT / (INDEPENDENT + best)
    return temper * weighed[:-1], float(temper * weighed[-1]), temper * harmless[:-1]


def _find_lighting(way: str) -> float:
    """Share of such sparks that may light their charges in a cylinder that loses none."""
    done = MECHANISMS[way].work[0]
    return 1.0 if way == "sound" or done >= LIGHTING else done


def _find_usual(values: NDArray[np.float64]) -> float:
    """Median of those that are known; NaN where none is."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else np.nan


def weigh_standing(
    table: pd.DataFrame,
    cylinder: NDArray[np.int64],
    cut: NDArray[np.bool_],
    *,
    n_cylinders: int,
    learned: Learned = NOTHING,
) -> NDArray[np.float64]:
    """Log likelihood ratio of each kind, were its fault in every firing of a cylinder alike.

    Then its sparks are like each other, and like those of a cylinder without fuel: what parts the
    two is whether a sound coil looks like that at all. Counted once.

    Parameters
    ----------
    table : DataFrame [columns=FIRING_COLUMNS]
    cylinder : int64 array [shape=(n_firings,)]
    cut : bool array [shape=(n_firings,)]
        Where the fuel is cut; those are left out.
    n_cylinders : int
    learned : Learned
        Its usual spark of sound coils.

    Returns
    -------
    standing : float64 array [shape=(n_cylinders, len(KINDS))]
        Minus infinity for kinds that do not stand in a coil, and where a cylinder has no firing.
    """
    standing = np.full((n_cylinders, len(KINDS)), -np.inf)
    for c in range(1, n_cylinders + 1):
        own = np.flatnonzero(cylinder == c)
        if own.size == 0:
            continue
        own = own[~cut[own]]
        for number, (kind, ways) in enumerate(KINDS.items()):
            if kind in STANDING:
                of_ways = [
                    weigh_usual(table, own, MECHANISMS[way], learned.usual) for way, *_ in ways
                ]
                standing[c - 1, number] = np.logaddexp.reduce(of_ways) - np.log(len(ways))
    return standing
