"""Stretches in which a coil channel shows nothing though its coil may have fired all the time.

A channel that shows nothing is not a coil that stopped: its level at rest, its own noise, the
torque of those firings and other coils that stop with it tell.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.features.torque import TorqueTable
from misfire.limits import CRANKING_RPM
from misfire.records import Engine, Finding, Firings, Recording, StrokeTrain

LEAST_RUN = 4  # firings in a row without a stroke: fewer say nothing about the channel
HALF, SURE = 0.5, 3.0  # of a combustion: what lacks less, by so many errors, works
# Energy [1/s^2] that a lost combustion misses at the least: 530 is usual at idle (80 J at
# 0.15 kg m2, handbook figures), 110 the least of 100 drawn engines.
LEAST_LOSS = 100.0
LEVEL_FALL = 3.0  # spreads by which all power strokes fall where a common coil really stops
REST_SHIFT = 0.4  # of the supply or of the peak current: rests elsewhere than when it saw sparks
FROZEN = 0.25  # of its own noise at rest
TOGETHER_S = 0.25  # two coils that stop within this have one cause
WORKED = "the crank shows that the cylinder worked"
REST_SAMPLES, RUN_PLACES, SEEN_PLACES = 48, 8, 24

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Rests = dict[str, tuple[Floats, Floats]]  # level and tremble by channel


@dataclass(frozen=True, slots=True)
class _Run:
    """Firings in a row [rows] that a channel did not see, and whether it saw none at all."""

    train: StrokeTrain
    rows: NDArray[np.int64]
    whole: bool
    common: bool  # the channel sees more than half of the cylinders


def find_blind(
    recording: Recording,
    trains: Sequence[StrokeTrain],
    firings: Firings,
    torque: TorqueTable,
    *,
    engine: Engine,
) -> tuple[dict[str, Bools], tuple[Finding, ...]]:
    """Find firings that a channel missed for a reason of its own: they must not count as lost.

    Parameters
    ----------
    recording : Recording
    trains : sequence of StrokeTrain
        Of coils; those without any stroke too.
    firings : Firings
    torque : TorqueTable
    engine : Engine

    Returns
    -------
    blind : dict of channel name to bool array [shape=(n_firings,)]
    findings : tuple of Finding
        One `dropout` for each channel concerned.

    Notes
    -----
    A coil that is not switched leaves its primary on the supply, its current at zero, and its
    cylinder without work. So the channel is to blame where it rests elsewhere or its own noise is
    gone, where the crank shows that the cylinder worked, and, where nothing else is recorded,
    where several coils stop at one instant.
    """
    blind: dict[str, Bools] = {}
    why: dict[str, str] = {}
    usual: Rests = {}
    runs = [r for t in trains for r in _list_runs(t, firings, engine)]
    for run in sorted(runs, key=lambda r: r.common):  # those of few cylinders speak for the others
        others = [r for r in runs if r.train is not run.train]
        reason = _find_reason(recording, run, others, firings, torque, engine, usual)
        if run.common and reason == WORKED and _is_confirmed(run, trains, firings, blind):
            continue
        if reason:
            name = run.train.channel.name
            blind.setdefault(name, np.zeros(firings.cylinder.size, bool))[run.rows] = True
            why.setdefault(name, reason)
    for train in trains:
        name = train.channel.name
        rows = _list_singles(train, firings, blind.get(name), engine)
        if name in blind and blind[name].sum() > rows.size:  # the rest is of the same kind
            blind[name][rows] = True
            continue
        for c in np.unique(firings.cylinder[rows]):
            own = rows[firings.cylinder[rows] == c]
            if _lack_little(own, firings, torque):
                blind.setdefault(name, np.zeros(firings.cylinder.size, bool))[own] = True
                why.setdefault(name, WORKED)
    findings = [_describe(name, own, why[name], firings) for name, own in blind.items()]
    return blind, tuple(findings)


def _own_rows(train: StrokeTrain, firings: Firings, engine: Engine) -> NDArray[np.int64]:
    """List the firings that the channel should have seen, in time order."""
    channel = train.channel
    own = np.isin(firings.cylinder, channel.cylinders or engine.firing_order)
    if not channel.is_levels:
        own &= firings.spark_s > channel.start_s
        own &= firings.spark_s < channel.start_s + channel.n_samples / channel.rate_hz
    return np.flatnonzero(own)


def _index(train: StrokeTrain, firings: Firings) -> NDArray[np.int64]:
    """Row of each firing's stroke in the channel; -1 where it has none."""
    nothing = np.full(firings.cylinder.size, -1, np.int64)
    return firings.stroke_index.get(train.channel.name, nothing)


def _list_runs(train: StrokeTrain, firings: Firings, engine: Engine) -> list[_Run]:
    """List the stretches in which a channel saw none of its firings."""
    rows = _own_rows(train, firings, engine)
    missed = _index(train, firings)[rows] < 0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], missed.astype(np.int8), [0]))))
    n_seen = len(train.channel.cylinders) or engine.cylinders
    common = engine.cylinders == 1 or 2 * n_seen > engine.cylinders
    least = max(LEAST_RUN, 2 * n_seen if common else 0)
    return [
        _Run(train, rows[a:b], b - a == rows.size, common)
        for a, b in edges.reshape(-1, 2)
        if b - a >= least
    ]


def _list_singles(
    train: StrokeTrain, firings: Firings, known: Bools | None, engine: Engine
) -> NDArray[np.int64]:
    """List what a channel missed beside the stretches already explained."""
    rows = _own_rows(train, firings, engine)
    missed = _index(train, firings)[rows] < 0
    return rows[missed & ~known[rows]] if known is not None else rows[missed]


def _find_reason(
    recording: Recording,
    run: _Run,
    others: Sequence[_Run],
    firings: Firings,
    torque: TorqueTable,
    engine: Engine,
    usual: Rests,
) -> str:
    """Say why a stretch is the channel's own; nothing where the coil may really have stopped."""
    if not run.whole:
        reason = _compare_rest(recording, run, firings, engine, usual)
        if reason:
            return reason
    judged = np.isfinite(torque.deficit_z[run.rows]) & (firings.rpm[run.rows] > CRANKING_RPM)
    if judged.mean() > 0.5:
        if run.common:
            worked = _keeps_level(run, firings, torque)
        else:
            worked = _lack_little(run.rows, firings, torque)
        return WORKED if worked else ""
    if run.whole or engine.cylinders == 1:
        return ""
    if run.common:
        return "all cylinders at once, as when a lead comes off"
    start = firings.spark_s[run.rows[0]]
    stop = firings.spark_s[run.rows[-1]]
    cycle_s = _cycle_s(firings)
    for other in others:
        first, last = firings.spark_s[other.rows[0]], firings.spark_s[other.rows[-1]]
        near = abs(first - start) < TOGETHER_S + cycle_s and abs(last - stop) < TOGETHER_S + cycle_s
        if near and not other.whole:
            return f"together with {other.train.channel.name!r}, which no single coil explains"
    return ""


def _is_confirmed(
    run: _Run,
    trains: Sequence[StrokeTrain],
    firings: Firings,
    blind: dict[str, Bools],
) -> bool:
    """Tell whether other channels that are awake did not see these firings either."""
    silent, rows = False, run.rows
    for train in trains:
        if train is run.train or not train.strokes.size:
            continue
        own = rows[np.isin(firings.cylinder[rows], train.channel.cylinders or firings.cylinder)]
        if train.channel.name in blind:
            own = own[~blind[train.channel.name][own]]
        if (_index(train, firings)[own] >= 0).any():
            return False
        silent |= own.size > 0
    return silent


def _cycle_s(firings: Firings) -> float:
    """Usual length of a cycle [s]."""
    rpm = firings.rpm[np.isfinite(firings.rpm)]
    return 120.0 / max(float(np.median(rpm)), 60.0) if rpm.size else 0.2


def has_worked(
    rows: NDArray[np.int64], firings: Firings, *, lack: Floats, sigma: Floats, least: float
) -> bool:
    """Tell by what some firings lack whether their cylinders worked in them.

    Parameters
    ----------
    rows : int64 array [shape=(n,)]
        Of those firings.
    firings : Firings
    lack, sigma : float64 array [shape=(n_firings,), one unit]
        Work that each lacks, NaN where it is not known, and its standard deviation.
    least : float [same unit]
        What a lost combustion lacks at the least.

    Returns
    -------
    worked : bool
        By the median of those whose lack is known; False for fewer than LEAST_RUN of them.
    """
    missing = lack[rows]
    known = np.isfinite(missing) & (firings.rpm[rows] > CRANKING_RPM)  # the starter hides a loss
    n = int(known.sum())
    if n < LEAST_RUN:
        return False
    # 1.25: standard error of a median over that of a mean, normal distribution
    error = 1.25 * float(np.median(sigma[rows][known])) / np.sqrt(n)
    return bool(float(np.median(missing[known])) + SURE * error < least)


def _lack_little(rows: NDArray[np.int64], firings: Firings, torque: TorqueTable) -> bool:
    """Tell whether firings lack less than half of a combustion."""
    return has_worked(rows, firings, lack=torque.lack, sigma=torque.lack_sigma, least=HALF)


def _keeps_level(run: _Run, firings: Firings, torque: TorqueTable) -> bool:
    """Tell whether the engine pulled on while a channel of most cylinders saw nothing."""
    seen = np.ones(firings.cylinder.size, bool)
    seen[run.rows] = False
    own, rest = torque.level[run.rows], torque.level[seen]
    noise = float(np.nanmedian(torque.noise)) if np.isfinite(torque.noise).any() else np.nan
    own, rest = own[np.isfinite(own)], rest[np.isfinite(rest)]
    if own.size < LEAST_RUN or rest.size < LEAST_RUN or not noise > 0:
        return False
    fall = float(np.median(rest) - np.median(own))
    return fall < min(LEVEL_FALL * noise, LEAST_LOSS / 2)


def _compare_rest(
    recording: Recording, run: _Run, firings: Firings, engine: Engine, usual: Rests
) -> str:
    """Compare where the channel rests, and how it trembles there, with when it saw sparks.

    What is usual is read once for all stretches of a channel, and kept in `usual` by its name.
    """
    train = run.train
    if train.channel.role not in ("coil_primary", "coil_current") or train.channel.is_levels:
        return ""
    seen = np.flatnonzero(_index(train, firings) >= 0)
    if seen.size < LEAST_RUN:
        return ""
    name, read = train.channel.name, _make_rest_reader(recording, train, firings, engine)
    level, tremble = read(_take_evenly(run.rows, RUN_PLACES))
    if name not in usual:
        usual[name] = read(_take_evenly(seen, SEEN_PLACES))
    usual_level, usual_tremble = usual[name]
    if level.size < LEAST_RUN or usual_level.size < LEAST_RUN:
        return ""
    measure = "battery_v" if train.channel.role == "coil_primary" else "peak_current_a"
    values = train.strokes[measure]
    size = float(np.nanmedian(values)) if np.isfinite(values).any() else 0.0
    away = abs(float(np.median(level) - np.median(usual_level))) * abs(train.channel.scale)
    if size > 0 and away > REST_SHIFT * size:
        return "its level is not the one between sparks"
    if float(tremble.mean()) < FROZEN * float(np.median(usual_tremble)):
        return "its own noise is gone"
    return ""


def _take_evenly(rows: NDArray[np.int64], n: int) -> NDArray[np.int64]:
    """Take some rows of many, evenly."""
    return np.unique(rows[np.linspace(0, rows.size - 1, min(n, rows.size)).astype(int)])


def _make_rest_reader(
    recording: Recording, train: StrokeTrain, firings: Firings, engine: Engine
) -> Callable[[NDArray[np.int64]], tuple[Floats, Floats]]:
    """Make a reader of level and tremble [counts] half way from firings to the channel's next."""
    channel = train.channel
    rows = _own_rows(train, firings, engine)
    nearer = np.diff(firings.spark_s[rows])
    usual = float(np.median(nearer)) if nearer.size else _cycle_s(firings)

    def read(chosen: NDArray[np.int64]) -> tuple[Floats, Floats]:
        level, tremble = [], []
        for at_s in firings.spark_s[chosen].tolist():
            first = round((at_s + 0.45 * usual - channel.start_s) * channel.rate_hz)
            if first >= 0 and first + REST_SAMPLES <= channel.n_samples:
                counts = recording.read(channel.name, first, first + REST_SAMPLES)
                level.append(float(np.median(counts)))
                tremble.append(float(np.abs(np.diff(counts.astype(np.float64))).mean()))
        return np.array(level), np.array(tremble)

    return read


def _describe(name: str, blind: Bools, reason: str, firings: Firings) -> Finding:
    """Say where a channel is not heard, and why."""
    at = firings.spark_s[blind]
    text = (
        f"{int(blind.sum())} firings from {at.min():.2f} to {at.max():.2f} s are not seen here. "
        f"The channel, not the coil, is the cause: {reason}. They are not counted as lost"
    )
    return Finding("dropout", "warning", text, name)
