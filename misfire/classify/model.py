"""The learned judges of firings, cylinders and fault types, in plain-array form."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from misfire.classify.parts import judge_in_parts
from misfire.classify.rules import score_firings, weigh_faults
from misfire.classify.trees import Trees, compute_raw
from misfire.records import FAULT_TYPES

if TYPE_CHECKING:
    import pandas as pd

CANDIDATE_Z = 1.5  # deficits below this many spreads cannot be a lost combustion
CANDIDATE_LOG = -0.25  # spark lines shorter by less than this (22 %) are cyclic scatter
LEAST_EXPECTED = 4.0  # lost firings, by the sum of their probabilities; see `hold_back`
LEAST_TAIL = 4.0  # spreads by which a cylinder lacks torque more often than others; the same
UNSHOWN, TOO_FEW, LEAST_FIRINGS = 0.2, 0.45, 15  # see `hold_back`
UNLOADED, UNLOADED_LOG = 0.95, 0.5  # see `find_unloaded`
LEAST_SUSPECT = 0.02  # no cylinder is so sound that its firings are not heard at all
LEAST_MISSING, PLAIN = 5, 0.95  # see `speak_up`
LEAST_OUTSTANDING, NO_CHANCE = 4, 0.02
PRIOR_FIRINGS = 60.0  # firings a cylinder's own share of lost ones is held back by
RULE_SAY = 0.5  # of one point of a physics score, in natural log odds
RARE = 0.002  # probability of having been lost where nothing at all points to it
LEAST_PROBABILITY, MOST_PROBABILITY = 0.002, 0.998  # no recording allows more certainty


@dataclass(frozen=True, slots=True)
class Model:
    """Three ensembles with their calibration; `manifest` is what the bundle says of itself.

    `*_knots` [shape=(2, n)]: log odds in, log odds out, straight between. `fault_types` are the
    classes of the fault ensemble, `temperature` divides its log probabilities and the physics
    scores. `lost_share`: of the candidate firings that the event ensemble was trained on.
    """

    event: Trees
    event_knots: NDArray[np.float64]
    cylinder: Trees
    cylinder_knots: NDArray[np.float64]
    fault: Trees
    fault_types: tuple[str, ...]
    temperature: float
    lost_share: float
    event_columns: tuple[str, ...]
    cylinder_columns: tuple[str, ...]
    fault_columns: tuple[str, ...]
    manifest: dict[str, Any] = field(default_factory=dict)


def find_candidates(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Find the firings that any witness makes worth judging; the others are sound.

    Parameters
    ----------
    table : DataFrame [columns=FIRING_COLUMNS]

    Returns
    -------
    candidates : bool array [shape=(n_firings,)]
    """

    def column(name: str) -> NDArray[np.float64]:
        return np.asarray(table[name].to_numpy(float))

    found = np.zeros(len(table), bool)
    with np.errstate(invalid="ignore"):
        for name in ("torque_deficit_z", "torque_own_z", "gain_deficit_z"):
            found |= column(name) > CANDIDATE_Z
        for name in ("no_dwell", "no_breakdown"):
            found |= column(name) == 1
        for name in ("burn_time_ms_own", "burn_time_ms_others"):
            found |= column(name) < CANDIDATE_LOG
    return found


def find_judgeable(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Find the firings that at least one witness saw."""
    seen = np.zeros(len(table), bool)
    for name in ("torque_deficit_z", "no_dwell", "no_breakdown"):
        seen |= table[name].notna().to_numpy()
    return seen


def judge_firings(model: Model, table: pd.DataFrame) -> NDArray[np.float64]:
    """Probability that each firing was lost.

    Parameters
    ----------
    model : Model
    table : DataFrame [columns=FIRING_COLUMNS]

    Returns
    -------
    probability : float64 array [shape=(n_firings,)]
        NaN where no witness saw the firing.

    Notes
    -----
    A spark line that is not seen may be one that the channel cannot show: it counts little by
    itself. Where the kick also stood far longer than in the cylinder's good firings, and the coil
    rang on with far more energy, nothing had taken that energy: no spark, no combustion. Torque,
    where it is known, is heard first.
    """
    probability = np.full(len(table), RARE)
    rows = np.flatnonzero(find_candidates(table))
    if rows.size:
        columns = [table[name].to_numpy(float)[rows] for name in model.event_columns]
        values = np.column_stack(columns)
        odds = compute_raw(model.event, values)[:, 0]
        probability[rows] = expit(calibrate(odds, model.event_knots))
    probability = np.where(find_unloaded(table), np.fmax(probability, UNLOADED), probability)
    return np.where(find_judgeable(table), probability, np.nan)


def find_unloaded(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Find the firings without torque whose coil kept the energy of the spark.

    Parameters
    ----------
    table : DataFrame [columns=FIRING_COLUMNS]

    Returns
    -------
    unloaded : bool array [shape=(n_firings,)]

    Notes
    -----
    Of 345 such firings in 14 of 1495 simulated vehicles 342 were lost.
    """
    unloaded = table["no_breakdown"].to_numpy(float) == 1
    unloaded &= table["torque_deficit_z"].isna().to_numpy()
    for name in ("breakdown_us_own", "ring_v_own"):
        with np.errstate(invalid="ignore"):
            unloaded &= table[name].to_numpy(float) > UNLOADED_LOG
    return np.asarray(unloaded)


def refine_firings(
    model: Model,
    table: pd.DataFrame,
    probability: NDArray[np.float64],
    cylinder: NDArray[np.int64],
    faulty: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Judge every firing once more, by what is known of its cylinder.

    Parameters
    ----------
    model : Model
    table : DataFrame [columns=FIRING_COLUMNS]
    probability : float64 array [shape=(n_firings,)]
        From `judge_firings`.
    cylinder : int64 array [shape=(n_firings,)]
    faulty : float64 array [shape=(n_cylinders,)]
        From `judge_cylinders`.

    Returns
    -------
    probability : float64 array [shape=(n_firings,)]

    Notes
    -----
    The event ensemble knows one share of lost firings for all vehicles; a dead cylinder has quite
    another, and one that is hardly suspect loses hardly any: a single firing that looks lost there
    is a pothole more often than a fault, and its odds fall with the cylinder's.
    Source: expectation maximisation of the prior, Saerens, Latinne, Decaestecker, "Adjusting the
    outputs of a classifier to new a priori probabilities", Neural Computation 14 (2002) 21 (from
    memory), with `PRIOR_FIRINGS` firings of the usual share added.
    """
    refined = probability.copy()
    candidates = find_candidates(table) & np.isfinite(probability)
    usual = model.lost_share
    physics = judge_in_parts(score_firings, table)
    for number in np.flatnonzero(faulty < 0.5) + 1:
        rows = np.flatnonzero(candidates & (cylinder == number))
        own = np.clip(probability[rows], 1e-9, 1.0 - 1e-9)
        of_cylinder = np.clip(faulty[number - 1], LEAST_SUSPECT, 0.5)
        odds = np.log(own / (1.0 - own)) + np.log(of_cylinder / (1.0 - of_cylinder))
        refined[rows] = np.minimum(probability[rows], expit(odds))
    for number in np.flatnonzero(faulty >= 0.5) + 1:
        rows = np.flatnonzero(candidates & (cylinder == number))
        if rows.size == 0:
            continue
        own = np.clip(probability[rows], 1e-9, 1.0 - 1e-9)
        odds = np.log(own / (1.0 - own)) - np.log(usual / (1.0 - usual))
        share = usual
        for _ in range(30):
            posterior = expit(odds + np.log(share / (1.0 - share)))
            share = (posterior.sum() + PRIOR_FIRINGS * usual) / (rows.size + PRIOR_FIRINGS)
            share = float(np.clip(share, 1e-4, 0.98))
        # Upwards only: where a cylinder fails rarely, each firing's own evidence stands. The
        # physics score is heard with half a voice: a loss that stands out twenty spreads is one,
        # whatever the firing before it looked like.
        by_share = expit(odds + np.log(share / (1.0 - share)))
        score = np.clip(np.nan_to_num(physics[rows], nan=0.0), 1e-9, 1.0 - 1e-9)
        both = expit(0.5 * (np.log(own / (1.0 - own)) + np.log(score / (1.0 - score))))
        refined[rows] = np.maximum.reduce([probability[rows], by_share, both])
    return refined


def judge_cylinders(
    model: Model, table: pd.DataFrame
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Probability that each cylinder is faulty, and of each fault type given that it is.

    Parameters
    ----------
    model : Model
    table : DataFrame [index=cylinder, columns=CYLINDER_COLUMNS]

    Returns
    -------
    probability : float64 array [shape=(n_cylinders,)]
    faults : float64 array [shape=(n_cylinders, len(FAULT_TYPES))]
        Rows sum to 1.
    """
    values = table[list(model.cylinder_columns)].to_numpy(float)
    odds = calibrate(compute_raw(model.cylinder, values)[:, 0], model.cylinder_knots)
    probability = np.clip(expit(odds), LEAST_PROBABILITY, MOST_PROBABILITY)
    inputs = gather_fault_inputs(table, model.fault_columns)
    share = share_faults(
        compute_raw(model.fault, inputs), inputs, model.fault_types, model.temperature
    )
    faults = np.zeros((len(table), len(FAULT_TYPES)))
    for i, name in enumerate(model.fault_types):
        faults[:, FAULT_TYPES.index(name)] = share[:, i]
    return probability, faults


def gather_fault_inputs(table: pd.DataFrame, columns: tuple[str, ...]) -> NDArray[np.float64]:
    """Lay the fault model's inputs side by side: measured columns, then the physics scores."""
    return np.column_stack((table[list(columns)].to_numpy(float), weigh_faults(table)))


def hold_back(table: pd.DataFrame, faulty: NDArray[np.float64]) -> NDArray[np.float64]:
    """Accuse no cylinder without something to show for it, nor after a few cycles.

    Parameters
    ----------
    table : DataFrame [index=cylinder, columns=CYLINDER_COLUMNS]
    faulty : float64 array [shape=(n_cylinders,)]
        From `judge_cylinders`.

    Returns
    -------
    faulty : float64 array [shape=(n_cylinders,)]
        At most `UNSHOWN` where no firing was lost, no torque is missing and every spark came, and
        at most `TOO_FEW` where fewer than `LEAST_FIRINGS` firings were judged.
    """

    def column(name: str) -> NDArray[np.float64]:
        return np.asarray(np.nan_to_num(table[name].to_numpy(float)))

    shown = (column("lost_count_log") > 0) | (column("no_breakdown_share") > 0.004)
    shown |= (column("no_dwell_share") > 0) | (column("torque_median_z") > 2.0)
    shown |= (column("cranking_gain_z") > 1.5) | (column("gain_median_z") > 2.0)
    # Many firings each a little suspect are something to show: so many of them were lost.
    shown |= column("torque_tail_z") > LEAST_TAIL
    n_firings = np.expm1(column("firings_log"))
    shown |= column("lost_probability_mean") * n_firings >= LEAST_EXPECTED
    held = np.where(shown, faulty, np.minimum(faulty, UNSHOWN))
    few = np.expm1(column("firings_log")) < LEAST_FIRINGS
    return np.asarray(np.where(few, np.minimum(held, TOO_FEW), held))


def speak_up(
    table: pd.DataFrame,
    faulty: NDArray[np.float64],
    outstanding: NDArray[np.int64],
    unseen: NDArray[np.bool_] | None = None,
) -> NDArray[np.float64]:
    """Accuse a cylinder whose coil was seen not to switch, or whose firings stand out in torque.

    Parameters
    ----------
    table : DataFrame [index=cylinder, columns=CYLINDER_COLUMNS]
    faulty : float64 array [shape=(n_cylinders,)]
        From `hold_back`.
    outstanding : int64 array [shape=(n_cylinders,)]
        How many firings of each cylinder `find_outstanding` finds.
    unseen : bool array [shape=(n_cylinders,)], optional
        From `find_switched_unseen`.

    Returns
    -------
    faulty : float64 array [shape=(n_cylinders,)]
        At least `PLAIN` where `LEAST_MISSING` switch-offs or more are missing, five times as
        large a share as in the soundest coil watched, and not only unseen; or where
        `LEAST_OUTSTANDING` firings or more stand out in torque, five times as many as in most other
        cylinders, and more than shakes that strike any cylinder give to one of them with a chance
        of `NO_CHANCE`.

    Notes
    -----
    A missing dwell needs no inference (CONTRACT: no switching), and few simulated vehicles show it
    on channels like these. What shakes the whole engine (road, load, driveline) hits any cylinder
    (binomial law), and few recordings of sound engines hold several such shakes at all.
    """
    share = table["no_dwell_share"].to_numpy(float)
    n_missing = np.nan_to_num(share) * np.expm1(table["firings_log"].to_numpy(float))
    plain = np.zeros(faulty.size, bool)
    seen = share[np.isfinite(share)]
    if seen.size >= 2:
        plain |= n_missing >= LEAST_MISSING - 0.5
        plain &= np.nan_to_num(share) > 5.0 * seen.min() + 0.005
        if unseen is not None:
            plain &= ~unseen
    if faulty.size >= 2:
        usual = [np.median(np.delete(outstanding, i)) + 0.5 for i in range(faulty.size)]
        many = outstanding >= np.maximum(LEAST_OUTSTANDING, 5.0 * np.array(usual))
        plain |= many & (_bound_chance(outstanding) <= NO_CHANCE)
    plain &= np.expm1(table["firings_log"].to_numpy(float)) >= LEAST_FIRINGS
    return np.asarray(np.where(plain, np.maximum(faulty, PLAIN), faulty))


def _bound_chance(counts: NDArray[np.int64]) -> NDArray[np.float64]:
    """Bound the chance of so many in any one cylinder, were each struck alike.

    Source: W. Hoeffding, "Probability inequalities for sums of bounded random variables", Journal
    of the American Statistical Association 58 (1963) 13 (from memory); exact where one has all.
    """
    n, total = counts.size, counts.sum()
    if total == 0:
        return np.ones(n)
    share = counts / total
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = share * np.log(share * n) + (1 - share) * np.log((1 - share) * n / (n - 1))
    apart = np.where(share == 1.0, np.log(n), np.where(share > 1.0 / n, apart, 0.0))
    return np.asarray(n * np.exp(-total * apart))


def share_faults(
    raw: NDArray[np.float64],
    inputs: NDArray[np.float64],
    fault_types: tuple[str, ...],
    temperature: float,
) -> NDArray[np.float64]:
    """Join what was learned with what physics says into shares that sum to 1.

    Parameters
    ----------
    raw : float64 array [shape=(n, len(fault_types))]
        Log probabilities of the fault ensemble.
    inputs : float64 array [shape=(n, ...)]
        From `gather_fault_inputs`: its last columns are the physics scores.
    fault_types : tuple of str
    temperature : float [> 0]

    Returns
    -------
    share : float64 array [shape=(n, len(fault_types))]

    Notes
    -----
    The ensemble knows simulated engines only, and the physics scores keep a fixed say beside it:
    they hold on engines that no simulator drew. The temperature is of both together: it makes the
    shares as sure as they are right on vehicles not seen in training.
    """
    scores = inputs[:, -len(FAULT_TYPES) :]
    picked = scores[:, [FAULT_TYPES.index(t) for t in fault_types]]
    logits = (raw + RULE_SAY * picked) / temperature
    logits = logits - logits.max(axis=1, keepdims=True)
    share = np.exp(logits)
    return np.asarray(share / share.sum(axis=1, keepdims=True))


def calibrate(odds: NDArray[np.float64], knots: NDArray[np.float64]) -> NDArray[np.float64]:
    """Map log odds through the knots, parallel to the end pieces outside them.

    Examples
    --------
    >>> calibrate(np.array([-1.0, 0.0, 3.0]), np.array([[0.0, 2.0], [0.0, 1.0]])).tolist()
    [-1.0, 0.0, 2.0]
    """
    inside = np.interp(odds, knots[0], knots[1])
    beyond = np.where(odds > knots[0, -1], odds - knots[0, -1], np.minimum(odds - knots[0, 0], 0.0))
    return np.asarray(inside + beyond)


def expit(odds: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn log odds into a probability, without overflow.

    Examples
    --------
    >>> expit(np.array([-1000.0, 0.0])).tolist()
    [0.0, 0.5]
    """
    small = np.exp(-np.abs(odds))
    return np.where(odds >= 0, 1.0 / (1.0 + small), small / (1.0 + small))
