"""The learned judges of firings, cylinders and fault types, in plain-array form."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from misfire.classify.familiarity import Familiar
from misfire.classify.learned import NOTHING, Learned
from misfire.classify.trees import Trees, compute_raw

if TYPE_CHECKING:
    import pandas as pd

CANDIDATE_Z = 1.5  # deficits below this many spreads cannot be a lost combustion
CANDIDATE_LOG = -0.25  # spark lines shorter by less than this (22 %) are cyclic scatter
UNLOADED, UNLOADED_LOG = 0.95, 0.5  # see `find_unloaded`
RARE = 0.002  # probability of having been lost where nothing at all points to it
LEAST_PROBABILITY, MOST_PROBABILITY = 0.002, 0.998  # no recording allows more certainty


@dataclass(frozen=True, slots=True)
class Model:
    """Two ensembles with their calibration; `manifest` is what the bundle says of itself.

    `*_knots` [shape=(2, n)]: log odds in, log odds out, straight between. `weights`: log odds of a
    fault are the first of them, plus the second times the log odds of the cylinder ensemble, plus
    the third times what the firings say (`compress` of their log likelihood). `learned`: what
    confirmed cases taught on top; `familiar`: the vehicles it was trained on, None where a bundle
    does not say.
    """

    event: Trees
    event_knots: NDArray[np.float64]
    cylinder: Trees
    cylinder_knots: NDArray[np.float64]
    weights: tuple[float, float, float]
    event_columns: tuple[str, ...]
    cylinder_columns: tuple[str, ...]
    learned: Learned = NOTHING
    familiar: Familiar | None = None
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


def judge_cylinders(model: Model, table: pd.DataFrame) -> NDArray[np.float64]:
    """Log odds that each cylinder is faulty, by the pattern of its firings.

    Parameters
    ----------
    model : Model
    table : DataFrame [index=cylinder, columns=CYLINDER_COLUMNS]

    Returns
    -------
    odds : float64 array [shape=(n_cylinders,)]
    """
    values = table[list(model.cylinder_columns)].to_numpy(float)
    return calibrate(compute_raw(model.cylinder, values)[:, 0], model.cylinder_knots)


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
