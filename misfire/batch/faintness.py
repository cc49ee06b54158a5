"""Spark lines that a channel cannot show: "no breakdown" of cylinders that did their work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from misfire.batch.blindness import LEAST_LOSS, LEAST_RUN, has_worked
from misfire.dsp.running import running_quantile
from misfire.features.torque import TorqueTable
from misfire.records import STROKE_FLAGS, Engine, Finding, Firings, StrokeTrain

LACK_Z = 3.0  # a firing that lacks more torque, and at least LEAST_LOSS, may have had no spark
CUT_LEVEL = -6.0  # spreads below the usual gain: the fuel is cut, and a spark makes no torque
MOST_CYLINDERS = 8  # with more, a lost combustion may lack less than `LEAST_LOSS`
SHOWN = ("burn_time_ms", "firing_v", "breakdown_us", "burn_level_v", "burn_slope_v_per_ms")

Bools = NDArray[np.bool_]


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
    instrument resolves, or the kick fell between two samples. Firings that lack torque stay.
    """
    if engine.cylinders > MOST_CYLINDERS:
        return {}
    able = np.isfinite(torque.deficit_z) & ~_is_cut(torque, engine)
    faint: dict[str, Bools] = {}
    rest: list[tuple[str, NDArray[np.int64]]] = []
    for train in trains:
        index = firings.stroke_index.get(train.channel.name)
        if index is None or not train.strokes.size:
            continue
        dark = (index >= 0) & (train.strokes["burn_time_ms"][index] == 0) & able
        for c in np.unique(firings.cylinder[dark]).tolist():
            rows = np.flatnonzero(dark & (firings.cylinder == c))
            if rows.size >= LEAST_RUN:
                if has_worked(rows, firings, torque):
                    _mark(faint, train.channel.name, rows, torque)
            else:
                rest.append((train.channel.name, rows))
    pool = np.unique(np.concatenate([rows for _, rows in rest])) if rest else np.empty(0, np.int64)
    if np.unique(firings.cylinder[pool]).size > 1 and has_worked(pool, firings, torque):
        for name, rows in rest:
            _mark(faint, name, rows, torque)
    return faint


def hush_faint(
    trains: Sequence[StrokeTrain], firings: Firings, faint: Mapping[str, Bools]
) -> list[StrokeTrain]:
    """Take back what channels say of sparks that they could not show.

    Parameters
    ----------
    trains : sequence of StrokeTrain
    firings : Firings
    faint : mapping of channel name to bool array [shape=(n_firings,)]

    Returns
    -------
    trains : list of StrokeTrain
        The measures of the spark are NaN in those strokes; the channels they came from unchanged.
    """
    told = []
    for train in trains:
        rows = faint.get(train.channel.name)
        if rows is None:
            told.append(train)
            continue
        strokes = train.strokes.copy()
        at = firings.stroke_index[train.channel.name][rows]
        for name in SHOWN:
            strokes[name][at] = np.nan
        strokes["flags"][at] &= ~np.uint32(STROKE_FLAGS["no_breakdown"])
        told.append(replace(train, strokes=strokes))
    return told


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


def _mark(faint: dict[str, Bools], name: str, rows: NDArray[np.int64], torque: TorqueTable) -> None:
    """Mark those of some firings that lack no torque."""
    worked = rows[(torque.deficit_z[rows] < LACK_Z) | (torque.deficit[rows] < LEAST_LOSS)]
    if worked.size:
        faint.setdefault(name, np.zeros(torque.deficit_z.size, bool))[worked] = True


def _is_cut(torque: TorqueTable, engine: Engine) -> Bools:
    """Tell where all cylinders alike give far less than usual."""
    usual = running_quantile(torque.level, reach=40 * engine.cylinders, quantile=0.6)
    with np.errstate(divide="ignore", invalid="ignore"):
        change = (torque.level - usual) / torque.noise
    return np.asarray(change < CUT_LEVEL)
