"""Transparent scores from physics: the judge where no learned model is used, and its yardstick."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.limits import SURELY_CUT_Z
from misfire.records import FAULT_TYPES

if TYPE_CHECKING:
    import pandas as pd

CHANCE = 1e-4  # share of healthy firings that the event score calls lost
SHIFT = 0.12  # log ratio between cylinders that needs a reason (12 %)
EVEN_Z = 6.0  # spreads of torque at which a firing is as likely lost as not
LEAST_AT_WORK, AT_WORK = 4, 1.0  # firings; spreads
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
    idle (ANCHORS D: 60 rev/min at 800); 6 spreads on both measures is the even point. A spark that
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


def find_outstanding(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Find the firings whose torque alone stands out as that of a lost one.

    Parameters
    ----------
    table : DataFrame [shape=(n_firings, ...)]
        From `build_firing_table`.

    Returns
    -------
    outstanding : bool array [shape=(n_firings,)]
        `EVEN_Z` spreads less than the same cylinder's other firings, which leaves out what the
        wheel or the cylinder always has, and less than the firings before and after, which leaves
        out a step of the load; not where the fuel was cut.
    """
    with np.errstate(invalid="ignore"):
        least = np.minimum(_column(table, "torque_own_z"), _column(table, "torque_step_z"))
        found = (least >= EVEN_Z) & (_column(table, "torque_deficit_energy") >= SMALLEST)
        return np.asarray(found & ~(_column(table, "torque_level_change") < SURELY_CUT_Z))


def find_switched_unseen(
    table: pd.DataFrame, cylinder: NDArray[np.int64], n_cylinders: int
) -> NDArray[np.bool_]:
    """Find the cylinders whose firings without a switch-off did their work: it was not seen.

    Parameters
    ----------
    table : DataFrame [shape=(n_firings, ...)]
        From `build_firing_table`.
    cylinder : int64 array [shape=(n_firings,)]
    n_cylinders : int

    Returns
    -------
    unseen : bool array [shape=(n_cylinders,)]
        Where the torque of `LEAST_AT_WORK` such firings is known, and they lack less than `AT_WORK`
        spreads in the mean. A coil that is not switched loses the whole combustion.
    """
    z = _column(table, "torque_deficit_z")
    dark = (_column(table, "no_dwell") == 1) & np.isfinite(z)
    count = np.bincount(cylinder[dark], minlength=n_cylinders + 1)[1:]
    total = np.bincount(cylinder[dark], weights=z[dark], minlength=n_cylinders + 1)[1:]
    return np.asarray((count >= LEAST_AT_WORK) & (total < AT_WORK * count))


def score_cylinders(
    table: pd.DataFrame,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Probability that each cylinder is faulty, and of each fault type given that it is.

    Parameters
    ----------
    table : DataFrame [shape=(n_cylinders, ...)]
        From `build_cylinder_table`.

    Returns
    -------
    probability : float64 array [shape=(n_cylinders,)]
    faults : float64 array [shape=(n_cylinders, len(FAULT_TYPES))]
        Rows sum to 1.

    Notes
    -----
    Signatures: ANCHORS C3 (firing and spark line read as a pair) and CONTRACT's table of types.
    """

    def get(name: str) -> NDArray[np.float64]:
        return _column(table, name)

    n_firings = np.expm1(get("firings_log"))
    lost = np.expm1(get("lost_count_log"))
    expected = CHANCE * n_firings
    # Poisson surprise of that many lost firings by chance alone, in natural logs.
    surprise = np.where(
        lost > expected,
        lost * np.log(np.maximum(lost, 1e-9) / np.maximum(expected, 1e-9)) - (lost - expected),
        0.0,
    )
    by_count = np.clip(surprise - 7.0, -6.0, 6.0)
    z = np.nan_to_num(get("torque_median_z"))
    energy = np.nan_to_num(get("torque_median_energy"))
    low = np.where(energy > 40.0, np.clip(2.0 * (z - 3.5), -6.0, 6.0), -6.0)
    disturbed = np.nan_to_num(get("disturbed_share"))
    score = np.maximum(by_count, low)
    score = score - np.where((disturbed > 0.02) & (lost < 5), 4.0, 0.0)
    probability = 1.0 / (1.0 + np.exp(-score))

    logits = weigh_faults(table)
    logits = logits - logits.max(axis=1, keepdims=True)
    faults = np.exp(logits)
    return probability, faults / faults.sum(axis=1, keepdims=True)


def weigh_faults(table: pd.DataFrame) -> NDArray[np.float64]:
    """Score each fault type of each cylinder from its signature.

    Parameters
    ----------
    table : DataFrame [shape=(n_cylinders, ...)]
        From `build_cylinder_table`.

    Returns
    -------
    weights : float64 array [shape=(n_cylinders, len(FAULT_TYPES))]
        The larger, the better the type fits; also inputs of the learned fault model.
    """

    def get(name: str) -> NDArray[np.float64]:
        return _column(table, name)

    lost = np.expm1(get("lost_count_log"))
    z = np.nan_to_num(get("torque_median_z"))
    disturbed = np.nan_to_num(get("disturbed_share"))

    def shift(name: str) -> NDArray[np.float64]:
        # Against the own good firings, or the others, whichever shows more: a fault that is
        # always there has no good firings, one cylinder alone has no others.
        seen = np.stack([get(f"{name}_{k}") for k in ("lost_own", "lost_others", "others")])
        seen = np.nan_to_num(seen)
        most = np.abs(seen).argmax(axis=0)
        return np.asarray(np.take_along_axis(seen, most[None, :], axis=0)[0])

    def up(values: NDArray[np.float64], unit: float = SHIFT) -> NDArray[np.float64]:
        return np.asarray(np.clip(values / unit, 0, 4))

    shows_burn = np.nan_to_num(get("watched_burn")) > 0.3
    shows_current = np.nan_to_num(get("watched_current")) > 0.3
    dark = np.nan_to_num(get("no_breakdown_lost_share"))
    current, slope = shift("peak_current_a"), shift("ramp_a_per_ms")
    delay, ring = shift("breakdown_us"), shift("ring_v")
    burn, level = shift("burn_time_ms"), shift("burn_level_v")
    step = np.nan_to_num(get("form_step_lost"))
    tail, tail_z = get("tail_shift"), get("tail_z")
    # A shunt across the secondary damps the ringing at switch-on, shorted turns leave most of it.
    damped = np.nan_to_num(np.fmin(get("ramp_ring_a_others"), get("ramp_ring_a_lost_others")))
    kick = get("form_kick_lost")
    height = shift("primary_peak_v")
    # Without a breakdown the kick climbs as high as the coil can: to the driver's clamp, unless
    # the coil is weak (then slowly) or its secondary is loaded (then not at all).
    high_kick = dark * (height > -0.15) * (np.nan_to_num(kick, nan=3.0) > 2.6) * (ring > -0.7)
    low_kick = dark * ((height < -0.25) | (np.nan_to_num(kick, nan=3.0) < 2.6))
    # A shunt tops the kick early (its R with the coil's C: some 20 us); an unloaded coil that has
    # little energy takes its quarter period, 50 us and more.
    late_top = dark * (np.nan_to_num(get("form_breakdown_us_lost")) > np.log(60.0))
    charged = (np.abs(current) < SHIFT).astype(float)  # the coil got its usual current
    usual_spark = shows_burn & (dark < 0.3) & (np.abs(burn) < SHIFT) & (np.abs(delay) < 0.25)
    # Little gas in the gap: it breaks down early, and burns as ever.
    even_spark = shows_burn & (dark < 0.3) & (np.abs(burn) < 2 * SHIFT) & (delay < 0)
    # A cylinder that leaks takes less work of compression; one that only does not burn takes all.
    approach = np.nan_to_num(get("approach_median_z")) * (z > 2.0)
    persistent = np.clip(z / 3.0, 0, 3) * (get("lost_share") > 0.5)
    loaded = np.clip(step / 0.08, 0, 3)
    weight = {
        "no_primary": 8.0 * np.nan_to_num(get("no_dwell_lost_share")) - 1.0,
        "open_secondary": charged * up(delay, 0.25) * 0.8 * (level > -0.03)
        + charged * 2.0 * high_kick
        + charged * 2.0 * dark * (ring > 0.5) * (low_kick == 0)
        + 0.7 * up(-burn) * ((delay > 0.1) | (ring > 0.3) | (level > 0.05)) * (level > -0.03)
        + np.clip(np.nan_to_num(tail_z) / 4.0, 0, 3) * (np.nan_to_num(tail) > 0.001)
        + 0.8 * ~shows_burn
        - 2.0 * usual_spark,
        "fouled_plug": 1.5 * dark * (ring < 0.2)
        + 1.0 * dark * (ring < -0.7) * (loaded < 0.5)
        + 1.5 * low_kick * (delay < 0.4) * (late_top == 0)
        + charged * 1.3 * loaded * (1.0 - 0.6 * late_top)
        + loaded * np.clip(-damped / 0.2, 0, 2)
        + 0.5 * up(burn) * (level < 0)
        + 0.5 * up(-delay, 0.25)
        + 0.7 * ~shows_burn
        - 1.5 * usual_spark,
        "weak_coil": 1.5 * up(-current)
        + up(-slope)
        + 0.5 * up(slope)
        + loaded * (1.0 + 0.5 * low_kick)
        + 3.0 * low_kick * ((delay > 0.4) | (late_top > 0.5))
        # Little current: the spark line stands lower (less drop in the secondary) and is short.
        + 0.8 * up(-burn) * ((level < -0.03) | ((np.abs(delay) < 0.2) & (level < 0)))
        - 1.0 * (shows_current & (charged > 0) & (step < 0.05)),
        "mixture": 1.5
        - np.clip(approach - 1.0, 0, 1.5)
        + 0.7 * (shows_current & ~shows_burn & (np.abs(tail_z) < 2.5) & (step < 0.03))
        + 2.0 * usual_spark
        - 3.0 * (dark > 0.5)
        - loaded
        - up(-current),
        "low_compression": persistent * (lost < 2)
        + np.clip(approach - 0.5, 0, 2)
        + np.clip(np.nan_to_num(get("cranking_gain_z")) / 2, 0, 4)
        + 3.0 * ((z > 3.5) & (get("lost_share") < 0.3))
        + 0.7 * up(-delay, 0.15) * even_spark
        - 2.0 * (dark > 0.5)
        - loaded,
        "crank_signal": np.where(disturbed > 0.005, 4.0, -3.0) - 0.1 * lost,
    }
    return np.stack([weight[t] for t in FAULT_TYPES], axis=1)


def _column(table: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """One column as float64."""
    return np.asarray(table[name].to_numpy(float))
