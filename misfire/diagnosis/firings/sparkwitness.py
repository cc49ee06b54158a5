"""What the coil's channels say of each firing's spark: a likelihood of every mechanism."""

from __future__ import annotations

from collections.abc import Mapping
from math import log
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.diagnosis.firings.reference import LEAST_SOUND, compare_with_sound
from misfire.diagnosis.firings.states import (
    FREEDOM,
    LEVEL_SCATTER,
    MEASURES,
    MECHANISMS,
    ODD_SHARE,
    POPULATION,
    SAME_AS,
    SEVERITIES,
    TOGETHER,
    Mechanism,
)
from misfire.dsp.chances import log_student

if TYPE_CHECKING:
    import pandas as pd

NOT_SWITCHED_LOG = 12.0  # by which a seen switch-off speaks against none, and none against one
STRANGE = {
    # Column -> how far a cylinder's usual spark may stand from the others' and be a reference, and
    # which of them they are: above the middle where faults lessen the measure, below where they
    # raise it, so that of two sound and two faulty coils the sound ones are.
    "form_burn_ms": (0.25, 0.65),
    "form_breakdown_us": (0.25, 0.35),
    "form_peak_a": (0.1, 0.65),
    "form_kick": (0.25, 0.65),
    "form_burn_level": (0.25, 0.35),
    "form_step": (0.04, 0.35),
    "form_ring_on": (0.4, 0.65),
}
TELLING = 10.0  # firings that a strange cylinder's mean firing counts for as it is tried again
# Natural log of a spark line over the usual; engines differ in how short a spark still lights.
FEEBLE_LOG, FEEBLE_WIDTH = -1.2, 0.5
LEAST_FEEBLE = 0.1  # a creeping spark may burn long beside the charge, a short one may light it
ROUNDS = 2  # references and states are found in turn
BELIEVED = 0.6  # probability of a usual spark from which a firing helps to make the reference
LACKING_Z = 5.0  # spreads of torque: such a firing is no reference at first
ONLY_LIT = ("form_burn_ms", "form_burn_level", "form_pickup_level")  # nothing without spark line
MOVING = 0.04  # of the speed, from cycle to cycle: idle hunts by less, a throttle blip does not
CLEAR_SIGMA = 2.0  # a firing of which nothing stands out further is told by the cylinder's like
SAMPLED = 4000  # of those, measured one by one; the others take their mean


def weigh_sparks(
    table: pd.DataFrame,
    cylinder: NDArray[np.int64],
    *,
    n_cylinders: int,
    by_itself: bool = False,
) -> NDArray[np.float32]:
    """Weigh every mechanism against every firing's spark.

    Parameters
    ----------
    table : DataFrame [columns=FIRING_COLUMNS]
    cylinder : int64 array [shape=(n_firings,)]
    n_cylinders : int
    by_itself : bool
        Whether a cylinder whose usual spark stands apart from the others' is set against itself.

    Returns
    -------
    log_likelihood : float32 array [shape=(n_firings, len(MECHANISMS), len(SEVERITIES))]
        Natural log, by severity, up to a term that is the same for all; all 0 where no channel
        shows the spark.
    """
    no_dwell = table["no_dwell"].to_numpy(float) == 1
    dark = table["no_breakdown"].to_numpy(float) == 1
    lacking = np.nan_to_num(table["torque_deficit_z"].to_numpy(float)) > LACKING_Z
    odd = dark | no_dwell | lacking
    strange = np.zeros(len(table), bool)
    if not by_itself:
        strange = _find_strange(table, cylinder, dark, n_cylinders)
    sound = ~(odd | strange)
    by_size: NDArray[np.float32] = np.zeros(0, np.float32)
    for turn in range(ROUNDS):
        by_size = _weigh(table, cylinder, sound, dark, no_dwell, n_cylinders)
        if turn + 1 < ROUNDS:
            weighed = forget_severity(by_size)
            prior = np.full(len(MECHANISMS), ODD_SHARE / (len(MECHANISMS) - 1))
            prior[0] = 1.0 - ODD_SHARE
            joint = weighed + np.log(prior)
            usual = np.exp(joint[:, 0] - np.logaddexp.reduce(joint, axis=1))
            sound = (usual > BELIEVED) & ~odd
            for c in np.unique(cylinder[strange]):
                own = (cylinder == c) & ~odd
                mean = (
                    (weighed[own] - weighed[own, :1]).mean(axis=0)
                    if own.any()
                    else np.zeros(prior.size)
                )
                sound[own] &= np.logaddexp.reduce(TELLING * mean[1:] + np.log(prior[1:])) < 0.0
    return by_size


def forget_severity(by_size: NDArray[np.float32]) -> NDArray[np.float64]:
    """Weigh every mechanism whatever its severity.

    Parameters
    ----------
    by_size : float32 array [shape=(n_firings, len(MECHANISMS), len(SEVERITIES))]
        From `weigh_sparks`.

    Returns
    -------
    log_likelihood : float64 array [shape=(n_firings, len(MECHANISMS))]
    """
    return np.asarray(np.logaddexp.reduce(by_size, axis=2) - log(len(SEVERITIES)), float)


def find_feeble(
    table: pd.DataFrame, sound: NDArray[np.bool_], cylinder: NDArray[np.int64], n_cylinders: int
) -> NDArray[np.float64]:
    """Probability that a spark which is not usual was too feeble to light the charge.

    Parameters
    ----------
    table : DataFrame [columns=FIRING_COLUMNS]
    sound : bool array [shape=(n_firings,)]
        Firings whose spark is usual.
    cylinder : int64 array [shape=(n_firings,)]
    n_cylinders : int

    Returns
    -------
    feeble : float64 array [shape=(n_firings,)]
        By the length of its spark line; NaN where none is seen.

    Notes
    -----
    A charge wants some 3 of the 30 to 50 mJ that a spark has (Heywood, section 9.5, from memory),
    and much of a short spark's energy goes into the plug: even odds at 30 % of the usual length in
    the middle of engines, whose swirl, electrodes and plug's place make that half or twice as much.
    """
    dark = table["no_breakdown"].to_numpy(float) == 1
    burn = np.where(dark, np.nan, _read_burn(table))
    least = MEASURES["form_burn_ms"]
    apart, _ = compare_with_sound(burn, sound, cylinder, n_cylinders=n_cylinders, least=least)
    feeble = 1.0 / (1.0 + np.exp((apart - FEEBLE_LOG) / FEEBLE_WIDTH))
    return np.asarray(np.clip(feeble, LEAST_FEEBLE, 1.0 - LEAST_FEEBLE))


def weigh_usual(
    table: pd.DataFrame,
    own: NDArray[np.int64],
    mechanism: Mechanism,
    usual: Mapping[str, tuple[float, float]] = MappingProxyType({}),
) -> float:
    """Weigh a mechanism that is always there against a cylinder's usual spark, by what coils have.

    Parameters
    ----------
    table : DataFrame [columns=FIRING_COLUMNS]
    own : int64 array
        Rows of the cylinder.
    mechanism : Mechanism
    usual : mapping of column -> centre, spread
        Of the usual spark of sound cylinders, where it is not that of `POPULATION`.

    Returns
    -------
    log_ratio : float
        Natural log of its likelihood over that of a sound coil; it counts once, however many
        firings there are. 0 where nothing is seen.
    """
    dark = table["no_breakdown"].to_numpy(float)[own] == 1
    sizes = np.array(SEVERITIES if mechanism.per_severity else (0.0,))
    total = np.zeros(sizes.size)
    for name, (centre, spread) in {**POPULATION, **usual}.items():
        values = table[name].to_numpy(float)[own]
        values = values[np.isfinite(values) & ~(dark & (name in ONLY_LIT))]
        if values.size < LEAST_SOUND:
            continue
        apart = np.full(sizes.size, float(np.median(values)) - centre)
        moved = mechanism.per_severity.get(name, 0.0) * sizes
        wide = np.hypot(spread, LEVEL_SCATTER * np.abs(moved))
        total += TOGETHER * (
            log_student(apart - moved, wide, freedom=FREEDOM)
            - log_student(apart, np.full(sizes.size, spread), freedom=FREEDOM)
        )
    return float(np.logaddexp.reduce(total) - log(sizes.size))


def _find_strange(
    table: pd.DataFrame, cylinder: NDArray[np.int64], dark: NDArray[np.bool_], n_cylinders: int
) -> NDArray[np.bool_]:
    """Find the firings of cylinders whose usual spark stands apart from most others'."""
    strange = np.zeros(n_cylinders + 1, bool)
    for name, (most, place) in STRANGE.items():
        values = np.where(dark, np.nan, table[name].to_numpy(float))
        usual = np.full(n_cylinders + 1, np.nan)
        for c in range(1, n_cylinders + 1):
            own = values[(cylinder == c) & np.isfinite(values)]
            usual[c] = np.median(own) if own.size else np.nan
        known = np.isfinite(usual)
        if known.sum() >= 3:
            centre = np.quantile(usual[known], place)
            strange[known] |= np.abs(usual[known] - centre) > most
    return strange[cylinder]


def _weigh(
    table: pd.DataFrame,
    cylinder: NDArray[np.int64],
    sound: NDArray[np.bool_],
    dark: NDArray[np.bool_],
    no_dwell: NDArray[np.bool_],
    n_cylinders: int,
) -> NDArray[np.float32]:
    """Weigh with one set of firings believed sound."""
    n = len(table)
    apart, sigma = {}, {}
    clear = ~(dark | no_dwell)
    with np.errstate(invalid="ignore"):
        moving = np.abs(table["speed_change_relative"].to_numpy(float)) > MOVING
    for name, least in MEASURES.items():
        values = _read_burn(table) if name == "form_burn_ms" else table[name].to_numpy(float)
        if name in ONLY_LIT:
            values = np.where(dark, np.nan, values)
        off, scatter = compare_with_sound(
            values, sound, cylinder, n_cylinders=n_cylinders, least=least, moving=moving
        )
        if np.isfinite(off).any():
            if f"{name}_error" in table:  # a measure that tells its own error
                error = np.nan_to_num(table[f"{name}_error"].to_numpy(float))
                scatter = np.hypot(scatter, error)
            apart[name], sigma[name] = off, np.hypot(scatter, least)
            with np.errstate(invalid="ignore"):
                clear &= ~(np.abs(off) > CLEAR_SIGMA * sigma[name])
    shown = np.isfinite(table["no_breakdown"].to_numpy(float))
    leaks = table["form_leaks"].to_numpy(float)
    usual_dark = float(np.mean(dark[sound & shown])) if (sound & shown).any() else 0.0
    plain = np.flatnonzero(clear)
    step = max(1, -(-plain.size // SAMPLED))
    rows = np.sort(np.concatenate((np.flatnonzero(~clear), plain[::step])))
    # the largest array of all: in single precision
    weighed: NDArray[np.float32] = np.zeros((n, len(MECHANISMS), len(SEVERITIES)), np.float32)
    for number, mechanism in enumerate(MECHANISMS.values()):
        if mechanism.state == "not_switched":
            continue
        part = _weigh_measures(mechanism, apart, sigma, rows)
        lit = 1.0 - min(max(mechanism.dark, usual_dark + 0.001), 0.99)
        part += np.where(shown[rows], np.where(dark[rows], log(1.0 - lit), log(lit)), 0.0)[:, None]
        chance = min(max(mechanism.leaks, 0.002), 0.998)
        part += np.where(leaks[rows] == 1, log(chance), 0.0)[:, None]
        part += np.where(leaks[rows] == 0, log(1.0 - chance), 0.0)[:, None]
        weighed[rows, number] = part
    if step > 1:  # what is like the sampled ones weighs like them, cylinder by cylinder
        rest = np.setdiff1d(plain, rows)
        for c in np.unique(cylinder[rest]):
            like = plain[::step][cylinder[plain[::step]] == c]
            if like.size:
                weighed[rest[cylinder[rest] == c]] = weighed[like].mean(axis=0)
    last = len(MECHANISMS) - 1
    best = weighed[:, :last].max(axis=(1, 2))
    weighed[:, last] = best[:, None] - NOT_SWITCHED_LOG
    weighed[no_dwell, :last] = -NOT_SWITCHED_LOG
    weighed[no_dwell, last] = 0.0
    unseen = ~no_dwell & ~np.isfinite(table["no_dwell"].to_numpy(float)) & ~shown
    unseen &= ~np.any([np.isfinite(a) for a in apart.values()], axis=0) if apart else True
    weighed[unseen] = 0.0
    return weighed


def _read_burn(table: pd.DataFrame) -> NDArray[np.float64]:
    """Read how long sparks burned; NaN where the next charge ended them.

    Those are no shorter than usual, and no measure for others, that may burn as long as they can.
    """
    recharged = table["form_recharged"].to_numpy(float) == 1
    return np.where(recharged, np.nan, table["form_burn_ms"].to_numpy(float))


def _weigh_measures(
    mechanism: Mechanism,
    apart: dict[str, NDArray[np.float64]],
    sigma: dict[str, NDArray[np.float64]],
    rows: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Log likelihood of the measures of some firings, by severity."""
    sizes = np.array(SEVERITIES)
    total = np.zeros((rows.size, sizes.size))
    for name, off in apart.items():
        value, scatter = off[rows], sigma[name][rows]
        seen = np.isfinite(value)
        of = SAME_AS.get(name, name)
        moved = mechanism.per_severity.get(of, 0.0) * sizes
        centre = moved + mechanism.always.get(of, 0.0)
        extra = np.hypot(LEVEL_SCATTER * np.abs(moved), mechanism.scatter.get(of, 0.0))
        alike = not np.any(moved)
        for k in range(1 if alike else sizes.size):
            part = np.zeros(rows.size)
            spread = np.hypot(scatter[seen], extra[k])
            part[seen] = TOGETHER * log_student(value[seen] - centre[k], spread, freedom=FREEDOM)
            total[:, slice(None) if alike else slice(k, k + 1)] += part[:, None]
    return total
