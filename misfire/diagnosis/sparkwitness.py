"""What the coil's channels say of each firing's spark: a likelihood of every mechanism."""

from __future__ import annotations

from math import log
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.diagnosis.reference import compare_with_sound
from misfire.diagnosis.states import (
    FREEDOM,
    LEVEL_SCATTER,
    MEASURES,
    MECHANISMS,
    ODD_SHARE,
    SEVERITIES,
    TOGETHER,
    Mechanism,
)
from misfire.dsp.chances import log_student

if TYPE_CHECKING:
    import pandas as pd

NOT_SWITCHED_LOG = 12.0  # by which a seen switch-off speaks against none, and none against one
STRANGE = 0.25  # natural log: a cylinder whose usual spark stands further off is no reference
STRANGE_COLUMNS = (
    "form_burn_ms",
    "form_breakdown_us",
    "form_peak_a",
    "form_kick",
    "form_burn_level",
)
ROUNDS = 2  # references and states are found in turn
BELIEVED = 0.6  # probability of a usual spark from which a firing helps to make the reference
LACKING_Z = 5.0  # spreads of torque: such a firing is no reference at first
ONLY_LIT = ("form_burn_ms", "form_burn_level")  # say nothing where no spark line is seen
CLEAR_SIGMA = 2.0  # a firing of which nothing stands out further is told by the cylinder's like
SAMPLED = 4000  # of those, measured one by one; the others take their mean


def weigh_sparks(
    table: pd.DataFrame, cylinder: NDArray[np.int64], *, n_cylinders: int
) -> NDArray[np.float64]:
    """Weigh every mechanism against every firing's spark.

    Parameters
    ----------
    table : DataFrame [columns=FIRING_COLUMNS]
    cylinder : int64 array [shape=(n_firings,)]
    n_cylinders : int

    Returns
    -------
    log_likelihood : float64 array [shape=(n_firings, len(MECHANISMS))]
        Natural log, up to a term that is the same for all mechanisms; all 0 where no channel shows
        the spark.
    """
    no_dwell = table["no_dwell"].to_numpy(float) == 1
    dark = table["no_breakdown"].to_numpy(float) == 1
    lacking = np.nan_to_num(table["torque_deficit_z"].to_numpy(float)) > LACKING_Z
    odd = dark | no_dwell | lacking
    sound = ~(odd | _find_strange(table, cylinder, dark, n_cylinders))
    weighed = np.zeros((len(table), len(MECHANISMS)))
    for turn in range(ROUNDS):
        weighed = _weigh(table, cylinder, sound, dark, no_dwell, n_cylinders)
        if turn + 1 < ROUNDS:
            prior = np.full(len(MECHANISMS), ODD_SHARE / (len(MECHANISMS) - 1))
            prior[0] = 1.0 - ODD_SHARE
            joint = weighed + np.log(prior)
            usual = np.exp(joint[:, 0] - np.logaddexp.reduce(joint, axis=1))
            sound = (usual > BELIEVED) & ~odd
    return weighed


def _find_strange(
    table: pd.DataFrame, cylinder: NDArray[np.int64], dark: NDArray[np.bool_], n_cylinders: int
) -> NDArray[np.bool_]:
    """Find the firings of cylinders whose usual spark stands apart from most others'."""
    strange = np.zeros(n_cylinders + 1, bool)
    for name in STRANGE_COLUMNS:
        values = np.where(dark, np.nan, table[name].to_numpy(float))
        usual = np.full(n_cylinders + 1, np.nan)
        for c in range(1, n_cylinders + 1):
            own = values[(cylinder == c) & np.isfinite(values)]
            usual[c] = np.median(own) if own.size else np.nan
        known = np.isfinite(usual)
        if known.sum() >= 3:
            strange[known] |= np.abs(usual[known] - np.median(usual[known])) > STRANGE
    return strange[cylinder]


def _weigh(
    table: pd.DataFrame,
    cylinder: NDArray[np.int64],
    sound: NDArray[np.bool_],
    dark: NDArray[np.bool_],
    no_dwell: NDArray[np.bool_],
    n_cylinders: int,
) -> NDArray[np.float64]:
    """Weigh with one set of firings believed sound."""
    n = len(table)
    apart, sigma = {}, {}
    clear = ~(dark | no_dwell)
    for name, least in MEASURES.items():
        values = table[name].to_numpy(float)
        if name in ONLY_LIT:
            values = np.where(dark, np.nan, values)
        off, scatter = compare_with_sound(values, sound, cylinder, n_cylinders=n_cylinders)
        if np.isfinite(off).any():
            apart[name], sigma[name] = off, np.hypot(scatter, least)
            with np.errstate(invalid="ignore"):
                clear &= ~(np.abs(off) > CLEAR_SIGMA * sigma[name])
    shown = np.isfinite(table["no_breakdown"].to_numpy(float))
    usual_dark = float(np.mean(dark[sound & shown])) if (sound & shown).any() else 0.0
    plain = np.flatnonzero(clear)
    step = max(1, -(-plain.size // SAMPLED))
    rows = np.sort(np.concatenate((np.flatnonzero(~clear), plain[::step])))
    weighed = np.zeros((n, len(MECHANISMS)))
    for number, mechanism in enumerate(MECHANISMS.values()):
        if mechanism.state == "not_switched":
            continue
        part = _weigh_measures(mechanism, apart, sigma, rows)
        lit = 1.0 - min(max(mechanism.dark, usual_dark + 0.001), 0.99)
        part += np.where(shown[rows], np.where(dark[rows], log(1.0 - lit), log(lit)), 0.0)
        weighed[rows, number] = part
    if step > 1:  # what is like the sampled ones weighs like them, cylinder by cylinder
        rest = np.setdiff1d(plain, rows)
        for c in np.unique(cylinder[rest]):
            like = plain[::step][cylinder[plain[::step]] == c]
            if like.size:
                weighed[rest[cylinder[rest] == c]] = weighed[like].mean(axis=0)
    last = len(MECHANISMS) - 1
    best = weighed[:, :last].max(axis=1)
    weighed[:, last] = best - NOT_SWITCHED_LOG
    weighed[no_dwell, :last] = -NOT_SWITCHED_LOG
    weighed[no_dwell, last] = 0.0
    unseen = ~no_dwell & ~np.isfinite(table["no_dwell"].to_numpy(float)) & ~shown
    unseen &= ~np.any([np.isfinite(a) for a in apart.values()], axis=0) if apart else True
    weighed[unseen] = 0.0
    return weighed


def _weigh_measures(
    mechanism: Mechanism,
    apart: dict[str, NDArray[np.float64]],
    sigma: dict[str, NDArray[np.float64]],
    rows: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Likelihood of the measures of some firings, over all severities."""
    sizes = np.array(SEVERITIES if mechanism.per_severity else (0.0,))
    total = np.zeros((sizes.size, rows.size))
    for name, off in apart.items():
        value, scatter = off[rows], sigma[name][rows]
        seen = np.isfinite(value)
        moved = mechanism.per_severity.get(name, 0.0) * sizes
        centre = moved + mechanism.always.get(name, 0.0)
        extra = np.hypot(LEVEL_SCATTER * np.abs(moved), mechanism.scatter.get(name, 0.0))
        for k in range(sizes.size if np.any(moved) else 1):
            part = np.zeros(rows.size)
            spread = np.hypot(scatter[seen], extra[k])
            part[seen] = TOGETHER * log_student(value[seen] - centre[k], spread, freedom=FREEDOM)
            if np.any(moved):
                total[k] += part
            else:
                total += part
    return np.asarray(np.logaddexp.reduce(total, axis=0) - log(sizes.size))
