"""Relative compression of each cylinder while the starter turns the engine."""

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
LOW_SHARE = 0.85  # of the other cylinders': worth saying
POOR_SHARE = 0.75  # lost torque is to be expected
LEAST_Z = 3.0  # distance from the others in their own scatter


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

    def find_low(self, share: float = LOW_SHARE) -> dict[int, tuple[str, ...]]:
        """List the cylinders with low compression and the witnesses that say so.

        Parameters
        ----------
        share : float
            Of the others' compression.

        Returns
        -------
        low : dict of cylinder -> names of witnesses
        """
        low: dict[int, tuple[str, ...]] = {}
        for name, values in self.relative.items():
            for i in np.flatnonzero((values < share) & (self.z[name] > LEAST_Z)).tolist():
                low[i + 1] = (*low.get(i + 1, ()), name)
        return low


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
        swings["cranking speed"] = _fit_hump(-(speed**2) / 2.0, grid, half)
    cylinder = firings.cylinder[rows]
    n_strokes = np.bincount(cylinder, minlength=engine.cylinders + 1)[1:]
    relative, z = {}, {}
    for name, swing in swings.items():
        found = _compare(swing, cylinder, engine.cylinders)
        if found is not None:
            relative[name], z[name] = found
    if not relative:
        return None
    return CompressionTable(relative, z, n_strokes.astype(np.int64))


def _fit_hump(
    values: NDArray[np.float64], grid: NDArray[np.float64], half: float
) -> NDArray[np.float64]:
    """Size of one hump an interval in each row: its first harmonic, level and slope aside."""
    phase = np.pi * grid / half
    design = np.stack((np.ones(grid.size), grid / half, np.cos(phase), np.sin(phase)), axis=1)
    out = np.full(len(values), np.nan)
    good = np.isfinite(values).all(axis=1)
    if good.any():
        fit = np.linalg.lstsq(design, values[good].T, rcond=None)[0]
        # the phase of the hump is that of all rows: a row of noise alone has no say in it
        mean = np.median(fit[2], axis=0) + 1j * np.median(fit[3], axis=0)
        turn = np.conj(mean) / abs(mean) if abs(mean) > 0 else 1.0
        out[good] = ((fit[2] + 1j * fit[3]) * turn).real
    return out


def _compare(
    swing: NDArray[np.float64], cylinder: NDArray[np.int64], n_cylinders: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Each cylinder's swing over the median of the others, and how surely it is below them."""
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
        z[i] = (float(np.median(rest)) - usual[i]) / error
    return relative, z
