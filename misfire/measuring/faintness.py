"""Spark lines that a channel cannot show: "no breakdown" of cylinders that did their work.

A spark line that is not seen is no gap that did not break down where the cylinders worked all the
same: few bits, or kicks between two samples, hide it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.strokes import get_measure
from misfire.features.torque import TorqueTable, compute_level_change
from misfire.limits import FUEL_CUT_Z
from misfire.measuring.blindness import LEAST_LOSS, LEAST_RUN, has_worked
from misfire.records import STROKE_FLAGS, Engine, Finding, Firings, StrokeTrain

LACK_Z = 3.0  # a firing that lacks more torque, and at least LEAST_LOSS, may have had no spark
MOST_CYLINDERS = 8  # with more, a lost combustion may lack less than `LEAST_LOSS`
SHOWN = (
    *("burn_time_ms", "firing_v", "breakdown_us", "burn_level_v", "burn_slope_v_per_ms"),
    "ring_v",  # looked for behind the line
)

AS_OFTEN = 2.0  # times as many dark firings as usual in cylinders that worked: the same limit
NEAR = 8  # firings of the same cylinder on each side

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Dark:
    """Firings [rows] of one cylinder without a spark line in one channel, and those with one."""

    name: str
    rows: NDArray[np.int64]
    bright: NDArray[np.int64]


def find_faint(
    trains: Sequence[StrokeTrain], firings: Firings, torque: TorqueTable, *, engine: Engine
) -> dict[str, Bools]:
    """Find strokes without a spark line whose cylinder worked: the line was there, but not shown.

    Parameters
    ----------
    trains : sequence of StrokeTrain
        Primaries and secondary pick-ups, with their rows in `firings.stroke_index`.
    firings : Firings
    torque : TorqueTable
    engine : Engine

    Returns
    -------
    faint : dict of channel name to bool array [shape=(n_firings,)]

    Notes
    -----
    Without a breakdown nothing burns, and a lost combustion is felt at the crank. So where firings
    said to have had no spark lack no torque, by the median of several of one cylinder or, where
    each cylinder has but a few, of several cylinders, the spark line is lower than what the
    instrument resolves, or the kick fell between two samples. Firings that lack torque stay. A
    cylinder that is weak all the time is compared with itself, if others are as often dark. Where
    no channel shows a line in any firing although some of them worked, what is on the wires are no
    coils' primaries, or lines below their steps: of the other cylinders the crank alone tells.
    """
    if engine.cylinders > MOST_CYLINDERS:
        return {}
    darks = _list_darks(trains, firings, torque, engine)
    faint: dict[str, Bools] = {}
    open_: list[_Dark] = []
    proven: list[int] = []
    for dark in darks:
        if dark.rows.size >= LEAST_RUN and _has_worked(dark.rows, firings, torque):
            _mark(faint, dark, torque)
            proven.append(dark.rows.size)
        else:
            open_.append(dark)
    few = [d for d in open_ if d.rows.size < LEAST_RUN]
    pool = np.unique(np.concatenate([d.rows for d in few])) if few else np.empty(0, np.int64)
    if np.unique(firings.cylinder[pool]).size > 1 and _has_worked(pool, firings, torque):
        for dark in few:
            _mark(faint, dark, torque)
    for dark in open_:  # a weak cylinder, as often dark as those that worked, and no weaker then
        beside = replace(torque, deficit=_compare_own(dark, firings, torque))
        as_often = LEAST_RUN <= dark.rows.size <= AS_OFTEN * (np.median(proven) if proven else 0)
        if as_often and _has_worked(dark.rows, firings, beside):
            _mark(faint, dark, replace(beside, deficit_z=beside.deficit / torque.noise))
    if proven and not any(dark.bright.size for dark in darks):  # no line in any: none is shown
        for dark in open_:
            faint[dark.name] = faint.get(dark.name, False) | (firings.stroke_index[dark.name] >= 0)
    return faint


def _list_darks(
    trains: Sequence[StrokeTrain], firings: Firings, torque: TorqueTable, engine: Engine
) -> list[_Dark]:
    """List the firings without a spark line whose torque is known."""
    if not any(np.any(get_measure(t.strokes, "burn_time_ms") == 0) for t in trains):
        return []
    # where the fuel is cut, a spark makes no torque
    cut = compute_level_change(torque, firings, engine=engine) < FUEL_CUT_Z
    able = np.isfinite(torque.deficit_z) & (torque.noise > 0) & ~cut
    darks = []
    for train in trains:
        index = firings.stroke_index.get(train.channel.name)
        if index is None or not train.strokes.size:
            continue
        burn_ms = np.where(index >= 0, get_measure(train.strokes, "burn_time_ms")[index], np.nan)
        for c in np.unique(firings.cylinder).tolist():
            own = able & (firings.cylinder == c)
            rows = np.flatnonzero(own & (burn_ms == 0))
            if rows.size:
                darks.append(_Dark(train.channel.name, rows, np.flatnonzero(own & (burn_ms > 0))))
    return darks


def _has_worked(rows: NDArray[np.int64], firings: Firings, torque: TorqueTable) -> bool:
    """Tell whether firings without a spark line lack less than any lost combustion."""
    return has_worked(rows, firings, lack=torque.deficit, sigma=torque.noise, least=LEAST_LOSS)


def _compare_own(dark: _Dark, firings: Firings, torque: TorqueTable) -> NDArray[np.float64]:
    """Torque missing beside what the same cylinder lacks nearby when its spark line is seen."""
    lack = np.full(torque.deficit.size, np.nan)
    if dark.bright.size >= LEAST_RUN:
        for row, at in zip(dark.rows, np.searchsorted(dark.bright, dark.rows), strict=True):
            near = dark.bright[max(0, at - NEAR) : at + NEAR]
            lack[row] = torque.deficit[row] - np.median(torque.deficit[near])
    return lack


def clear_faint_sparks(
    trains: Sequence[StrokeTrain], firings: Firings, faint: Mapping[str, Bools]
) -> list[StrokeTrain]:
    """Set spark measures to NaN where the channel could not resolve the spark line.

    Parameters
    ----------
    trains : sequence of StrokeTrain
    firings : Firings
    faint : mapping of channel name to bool array [shape=(n_firings,)]

    Returns
    -------
    trains : list of StrokeTrain
        Copies where something was set; flags of "no breakdown" are cleared there too.
    """
    cleared = []
    for train in trains:
        rows = faint.get(train.channel.name)
        if rows is None:
            cleared.append(train)
            continue
        strokes = train.strokes.copy()
        at = firings.stroke_index[train.channel.name][rows]
        for name in SHOWN:
            strokes[name][at] = np.nan
        strokes["flags"][at] &= ~np.uint32(STROKE_FLAGS["no_breakdown"])
        cleared.append(replace(train, strokes=strokes))
    return cleared


def describe_faint(faint: Mapping[str, Bools]) -> list[Finding]:
    """Say which channels do not show every spark line.

    Parameters
    ----------
    faint : mapping of channel name to bool array [shape=(n_firings,)]

    Returns
    -------
    findings : list of Finding
    """
    return [
        Finding(
            "faint_sparks",
            "info",
            f"the spark line of {int(rows.sum())} firings is not seen here though their cylinders "
            "worked: it is lower than the instrument resolves, or the kick fell between samples; "
            "they are not counted as lost. Take a smaller range or a higher rate",
            name,
        )
        for name, rows in faint.items()
    ]


def _mark(faint: dict[str, Bools], dark: _Dark, torque: TorqueTable) -> None:
    """Mark those of some firings that lack no torque."""
    rows = dark.rows
    worked = rows[(torque.deficit_z[rows] < LACK_Z) | (torque.deficit[rows] < LEAST_LOSS)]
    if worked.size:
        faint.setdefault(dark.name, np.zeros(torque.deficit_z.size, bool))[worked] = True
