"""Transparent scores from physics: the judge where no learned model is used, and its yardstick."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.chances import compute_surprise
from misfire.limits import SURELY_CUT_Z

if TYPE_CHECKING:
    import pandas as pd

CHANCE = 1e-4  # share of healthy firings that the event score calls lost
EVEN_Z = 6.0  # spreads of torque at which a firing is as likely lost as not
SMALLEST = 60.0  # energy [1/s^2]: less is too small to be a whole combustion


def score_firings(table: pd.DataFrame) -> NDArray[np.float64]:
    """Probability that each firing was lost, from torque and spark as separate witnesses.

    Parameters
    ----------
    table : DataFrame [shape=(n_firings, ...)]
        From `build_firing_table`.

    Returns
    -------
    probability : float64 array [shape=(n_firings,)]
        NaN where no witness saw the firing.

    Notes
    -----
    A lost combustion takes the whole gain of its power stroke, many times the cyclic scatter at
    idle (docs/sources.md); 6 spreads on both measures is the even point. A spark that
    never was (no dwell, no breakdown) loses the combustion by itself.
    """
    z = _column(table, "torque_deficit_z")
    gain = _column(table, "gain_deficit_z")
    z = np.where(np.isfinite(gain), 0.5 * (z + np.minimum(gain, 1.5 * np.abs(z))), z)
    z = np.fmin(z, _column(table, "torque_step_z"))
    size = _column(table, "torque_deficit_energy")
    torque = np.clip(1.3 * (z - EVEN_Z), -9.0, 9.0)
    torque = torque - np.where(size < SMALLEST, 4.0, 0.0)
    has_torque = np.isfinite(torque)
    no_dwell = _column(table, "no_dwell")
    no_spark = _column(table, "no_breakdown")
    short = _column(table, "burn_time_ms_others")
    spark = np.where(no_dwell == 1, 7.0, np.where(no_spark == 1, 5.0, 0.0))
    spark = spark + np.where(short < -0.7, 2.0, 0.0)
    has_spark = np.isfinite(no_dwell) | np.isfinite(no_spark)
    score = np.where(has_torque, torque, np.where(spark > 0, 0.0, -6.0)) + spark
    # Overrun: a neighbourhood without gain has no fuel, a missing spark changes nothing there.
    level = _column(table, "torque_level_change")
    score = np.where(has_torque & (level < SURELY_CUT_Z) & (z < 4), -6.0, score)
    probability = 1.0 / (1.0 + np.exp(-score))
    return np.where(has_torque | has_spark, probability, np.nan)


def score_cylinders(table: pd.DataFrame) -> NDArray[np.float64]:
    """Log odds that each cylinder is faulty, by physics alone.

    Parameters
    ----------
    table : DataFrame [shape=(n_cylinders, ...)]
        From `build_cylinder_table`.

    Returns
    -------
    odds : float64 array [shape=(n_cylinders,)]

    Notes
    -----
    Signatures: docs/sources.md (firing and spark line read as a pair), docs/faults.md.
    """

    def get(name: str) -> NDArray[np.float64]:
        return _column(table, name)

    n_firings = np.expm1(get("firings_log"))
    lost = n_firings * np.nan_to_num(get("lost_share"))
    surprise = compute_surprise(lost, np.maximum(CHANCE * n_firings, 1e-9))
    by_count = np.clip(surprise - 7.0, -6.0, 6.0)
    z = np.nan_to_num(get("torque_median_z"))
    energy = np.nan_to_num(get("torque_median_energy"))
    low = np.where(energy > 40.0, np.clip(2.0 * (z - 3.5), -6.0, 6.0), -6.0)
    disturbed = np.nan_to_num(get("disturbed_share"))
    score = np.maximum(by_count, low)
    score = score - np.where((disturbed > 0.02) & (lost < 5), 4.0, 0.0)
    return np.asarray(score)


def _column(table: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """One column as float64."""
    return np.asarray(table[name].to_numpy(float))
