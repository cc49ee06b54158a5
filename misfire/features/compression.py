"""Relative compression of each cylinder while the starter turns the engine."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.running import robust_spread
from misfire.dsp.track import time_at
from misfire.limits import CRANKING_RPM
from misfire.records import CrankTrack, Engine, Firings

STEP_DEG = 6.0
LEAST_STROKES = 2  # compressions of each cylinder
# Swing of omega^2 in a firing interval that compressions give a four at 200 rev/min: 740 1/s^2 (to
# 60 % of 3.7 bar in 0.5 l, over 0.15 kg m2) makes more than the mean itself; starter and flywheel
# leave a third of that on real engines. A third of that again is asked for.
LEAST_HUMP, HUMP_RPM, MOST_HUMP = 0.12, 200.0, 1.5
PLAIN_Z = 4.0  # the hump beyond its own scatter
SPEED_ERROR = 0.07  # of a compression: the speed answers to neighbours and friction too
MOST_APART = 0.4  # of the hump, that half of the cylinders' own stand off it: else it is the wheel
LATEST_DEG = 60.0  # from TDC, as share of half the interval: slower there, not a quarter later
# Part of omega^2 that errors of teeth can be, seen by one place of the wheel: 0.3 degrees in a
# window of a quarter of the interval; with few teeth (edges of wide teeth) a degree.
WHEEL_ERROR, COARSE_WHEEL_ERROR, COARSE_POSITIONS = 0.03, 0.12, 24


@dataclass(frozen=True, slots=True)
class CompressionTable:
    """Work of compression while cranking, relative to the other cylinders (1: like them).

    Keys of `relative` are the witnesses: "starter current", "battery voltage", "cranking speed";
    values [shape=(n_cylinders,)] are NaN for a cylinder that was not met often enough. `z`: how far
    below the others, in the scatter of single compressions over the root of their number.
    `n_strokes` [shape=(n_cylinders,)]: compressions looked at.
    """

    relative: dict[str, NDArray[np.float64]]
    z: dict[str, NDArray[np.float64]]
    n_strokes: NDArray[np.int64]


def measure_compression(
    track: CrankTrack,
    firings: Firings,
    *,
    engine: Engine,
    has_speed: bool,
    readers: dict[str, Callable[[NDArray[np.float64]], NDArray[np.float64]]],
) -> CompressionTable | None:
    """Compare the cylinders' compressions while the starter turns the engine.

    Parameters
    ----------
    track : CrankTrack
    firings : Firings
    engine : Engine
    has_speed : bool
        Whether the track shows the speed within a cycle (a crank channel).
    readers : dict of callable (time_s) -> values
        "starter current" [A] and "battery voltage" [V], where recorded; NaN outside.

    Returns
    -------
    table : CompressionTable or None
        None where the starter is not seen to turn the engine often enough.

    Notes
    -----
    The starter needs most torque shortly before each compression TDC: current up, voltage and
    speed down. The swing of each over one firing interval, against the mean of the neighbours on
    both sides so that the slow change while the engine runs up drops out, goes with the work of
    compression (common practice; the relative compression test of the trade).

    The speed is heard only where it shows compressions: humps of omega^2 of the height that a
    compression gives, the same way in most cylinders, and near TDC where that is known. With the
    plugs out there are none, and what is left is the wheel. What cylinders at one place of the
    wheel, 360 degrees apart, have in common is the wheel's as far as wheels can be off.
    """
    if engine.cylinders < 2:
        return None
    interval = 720.0 / engine.cylinders
    rows = np.flatnonzero((firings.rpm < CRANKING_RPM) & (firings.rpm > 40.0))
    if rows.size < LEAST_STROKES * engine.cylinders:
        return None
    half = min(interval / 2.0, 90.0)
    grid = np.arange(-half, half + STEP_DEG / 2, STEP_DEG)
    at = firings.tdc_angle_deg[rows][:, None] + grid[None, :]
    time_s = time_at(track, at.ravel()).reshape(at.shape)
    swings: dict[str, NDArray[np.float64]] = {}
    for name, read in readers.items():
        values = read(time_s.ravel()).reshape(time_s.shape)
        if np.isfinite(values).mean() < 0.3:
            continue
        sign = -1.0 if name == "battery voltage" else 1.0
        swings[name] = _fit_hump(sign * values, grid, half)
    if has_speed:
        edges = firings.tdc_angle_deg[rows][:, None] + np.append(grid - STEP_DEG / 2, half)[None, :]
        passed = time_at(track, edges.ravel()).reshape(edges.shape)
        speed = np.deg2rad(np.diff(edges, axis=1)) / np.diff(passed, axis=1)
        relative_speed = -(speed**2) / np.mean(speed**2, axis=1, keepdims=True)
        coefficients = _fit_harmonic(relative_speed, grid, half)
        if _is_compression(coefficients, firings, rows, half, engine=engine):
            humps = _project(coefficients)
            mean = np.mean(speed**2, axis=1) / 2.0
            humps = _take_out_wheel(humps, firings.cylinder[rows], track, engine=engine)
            swings["cranking speed"] = humps * mean
    cylinder = firings.cylinder[rows]
    n_strokes = np.bincount(cylinder, minlength=engine.cylinders + 1)[1:]
    relative, z = {}, {}
    for name, swing in swings.items():
        floor = SPEED_ERROR if name == "cranking speed" else 0.0
        found = _compare(swing, cylinder, engine.cylinders, floor)
        if found is not None:
            relative[name], z[name] = found
    if not relative:
        return None
    return CompressionTable(relative, z, n_strokes.astype(np.int64))


def _fit_hump(
    values: NDArray[np.float64], grid: NDArray[np.float64], half: float
) -> NDArray[np.float64]:
    """Size of one hump an interval in each row: its first harmonic, level and slope aside."""
    return _project(_fit_harmonic(values, grid, half))


def _fit_harmonic(
    values: NDArray[np.float64], grid: NDArray[np.float64], half: float
) -> NDArray[np.complex128]:
    """First harmonic of each row, level and slope aside: real part in phase with TDC."""
    phase = np.pi * grid / half
    design = np.stack((np.ones(grid.size), grid / half, np.cos(phase), np.sin(phase)), axis=1)
    out = np.full(len(values), complex(np.nan, np.nan))
    good = np.isfinite(values).all(axis=1)
    if good.any():
        fit = np.linalg.lstsq(design, values[good].T, rcond=None)[0]
        out[good] = fit[2] + 1j * fit[3]
    return out


def _take_middle(harmonic: NDArray[np.complex128]) -> complex:
    """Median of both parts; 0 where nothing is known."""
    known = harmonic[np.isfinite(harmonic)]
    return complex(np.median(known.real), np.median(known.imag)) if known.size else 0j


def _project(harmonic: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Size of the humps at the phase of all rows: a row of noise alone has no say in it."""
    middle = _take_middle(harmonic)
    turn = np.conj(middle) / abs(middle) if abs(middle) > 0 else 1.0
    return np.asarray((harmonic * turn).real)


def _is_compression(
    harmonic: NDArray[np.complex128],
    firings: Firings,
    rows: NDArray[np.int64],
    half_deg: float,
    *,
    engine: Engine,
) -> bool:
    """Tell whether the swing of speed is that of compressions: its height, place and likeness."""
    cylinder = firings.cylinder[rows]
    own = np.array([_take_middle(harmonic[cylinder == c]) for c in engine.firing_order])
    middle = _take_middle(own)
    rpm = float(np.median(firings.rpm[rows]))
    # humps that overlap swing less: the first harmonic of bells of 60 degrees, 720/n apart
    overlap = math.exp(0.5 * (math.pi / 6.0) ** 2 * (16.0 - engine.cylinders**2) / 4.0)
    least = LEAST_HUMP * min(overlap, MOST_HUMP) * min((HUMP_RPM / rpm) ** 2, MOST_HUMP)
    at = {c: k for k, c in enumerate(engine.firing_order)}
    single = harmonic - own[[at[int(c)] for c in cylinder]]
    known = np.isfinite(single)
    noise = math.hypot(robust_spread(single.real[known]), robust_spread(single.imag[known]))
    if abs(middle) < max(least, PLAIN_Z * noise / math.sqrt(max(1.0, float(known.sum())))):
        return False
    if float(np.median(np.abs(own - middle))) > MOST_APART * abs(middle):
        return False
    if not firings.tdc_known:
        return True
    away_deg = math.degrees(math.atan2(middle.imag, middle.real)) * half_deg / 180.0
    return abs(away_deg) < LATEST_DEG * half_deg / 90.0


def _take_out_wheel(
    humps: NDArray[np.float64],
    cylinder: NDArray[np.int64],
    track: CrankTrack,
    *,
    engine: Engine,
) -> NDArray[np.float64]:
    """Take out what cylinders at one place of the wheel have in common against all the others."""
    coarse = track.wheel.positions < COARSE_POSITIONS
    most = COARSE_WHEEL_ERROR if coarse else WHEEL_ERROR
    usual = {c: float(np.nanmedian(humps[cylinder == c])) for c in np.unique(cylinder).tolist()}
    middle = float(np.median(list(usual.values())))
    angle = dict(zip(engine.firing_order, engine.firing_angles_deg, strict=True))
    humps = humps.copy()
    for a in usual:
        for b in usual:
            if a < b and abs(abs(angle[a] - angle[b]) - 360.0) < 1.0:
                off = usual[a] - middle, usual[b] - middle
                common = min(off, key=abs) if off[0] * off[1] > 0 else 0.0
                humps[(cylinder == a) | (cylinder == b)] -= min(max(common, -most), most)
    return humps


def _compare(
    swing: NDArray[np.float64], cylinder: NDArray[np.int64], n_cylinders: int, floor: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Each cylinder's swing over the median of the others, and how surely it is below them.

    `floor`: error that more strokes do not make smaller, in swings.
    """
    usual, spread = np.full(n_cylinders, np.nan), []
    n = np.zeros(n_cylinders)
    for c in range(1, n_cylinders + 1):
        own = swing[(cylinder == c) & np.isfinite(swing)]
        n[c - 1] = own.size
        if own.size >= LEAST_STROKES:
            usual[c - 1] = float(np.median(own))
            spread.append(own - usual[c - 1])
    if np.isfinite(usual).sum() < 2:
        return None
    scatter = robust_spread(np.concatenate(spread))
    relative, z = np.full(n_cylinders, np.nan), np.full(n_cylinders, np.nan)
    for i in range(n_cylinders):
        rest = np.delete(usual, i)
        rest = rest[np.isfinite(rest)]
        if not np.isfinite(usual[i]) or not rest.size or np.median(rest) <= 0:
            continue
        relative[i] = usual[i] / np.median(rest)
        error = max(scatter, 0.01 * float(np.median(rest))) / np.sqrt(n[i])
        error = math.hypot(error, floor * float(np.median(rest)))
        z[i] = (float(np.median(rest)) - usual[i]) / error
    return relative, z
