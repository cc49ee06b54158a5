"""Crank angle against time between the engine's step edges, both ways."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.simulate.engine.cylinder import STEP_DEG

FloatArray = NDArray[np.floating[Any]]
Float32Array = NDArray[np.float32]


def find_instants(
    angle_deg: FloatArray, *, first_deg: float, time_s: FloatArray, speed: FloatArray
) -> FloatArray:
    """Find when the crank stood at given angles.

    Parameters
    ----------
    angle_deg : float64 array [shape=(n,), unit=crank degrees, unwrapped]
    first_deg : float [unit=crank degrees]
        Angle of the first step edge.
    time_s, speed : float64 array [shape=(n_edges,), unit=s, rad/s]
        Instants of the step edges and the speed there.

    Returns
    -------
    instants_s : float64 array [shape=(n,), unit=s]
        NaN outside the run. Between edges the acceleration is taken as constant.
    """
    where = (angle_deg - first_deg) / STEP_DEG
    step = np.clip(np.floor(where).astype(int), 0, time_s.size - 2)
    turned = np.radians(STEP_DEG) * (where - step)
    begin, end = speed[step], speed[step + 1]
    lasts = time_s[step + 1] - time_s[step]
    accel = (end - begin) / lasts
    # the stable root of turned = begin t + accel t^2 / 2
    root = np.sqrt(np.maximum(0.0, begin**2 + 2 * accel * turned))
    found = time_s[step] + 2 * turned / (begin + root)
    inside = (where >= 0) & (where <= time_s.size - 1)
    return np.where(inside, found, np.nan)


@dataclass(frozen=True, slots=True)
class Grid:
    """The sampling instants of one instrument: sample i at start_s + i * period_s."""

    start_s: float
    period_s: float
    n: int

    def position(self, time_s: FloatArray | float) -> FloatArray:
        """Turn instants into sample positions."""
        return np.asarray((np.asarray(time_s) - self.start_s) / self.period_s)


def sample_rotation(
    grid: Grid,
    start: int,
    stop: int,
    *,
    first_deg: float,
    time_s: FloatArray,
    speed: FloatArray,
    entries: int,
) -> tuple[NDArray[np.int32], Float32Array]:
    """Turn sampling instants into entries of a table of one revolution, and speed.

    Parameters
    ----------
    grid : Grid
    start, stop : int [unit=samples]
        Stretch wanted.
    first_deg, time_s, speed
        As for `find_instants`; must cover the stretch.
    entries : int
        Length of the table, a power of two.

    Returns
    -------
    entry : int32 array [shape=(stop - start,)]
    speed : float32 array [shape=(stop - start,), unit=rad/s]
    """
    first_s = grid.start_s + start * grid.period_s
    last_s = grid.start_s + (stop - 1) * grid.period_s
    low = max(0, int(np.searchsorted(time_s, first_s, side="right")) - 1)
    high = int(np.searchsorted(time_s, last_s, side="right"))
    steps = np.arange(low, min(high, time_s.size - 1))
    ends = np.clip(np.ceil(grid.position(time_s[steps + 1])).astype(np.int64), start, stop)
    ends[-1] = stop
    begins = np.concatenate(([start], ends[:-1]))
    counts = ends - begins
    lasts = time_s[steps + 1] - time_s[steps]
    accel = (speed[steps + 1] - speed[steps]) / lasts
    late = grid.start_s + begins * grid.period_s - time_s[steps]  # first sample after the edge
    scale = entries / (2 * np.pi)
    base = (first_deg + steps * STEP_DEG) % 360.0 / 360.0 * entries
    base = base + scale * (speed[steps] * late + 0.5 * accel * late**2)
    velocity = speed[steps] + accel * late
    nth = np.arange(stop - start, dtype=np.float32)
    nth -= np.repeat((begins - start).astype(np.float32), counts)
    change = np.repeat((accel * grid.period_s).astype(np.float32), counts)
    change *= nth
    now = np.repeat(velocity.astype(np.float32), counts)
    now += change
    change *= np.float32(-0.5)
    change += now  # mean speed since the first sample of the step
    change *= nth
    change *= np.float32(scale * grid.period_s)
    change += np.repeat(base.astype(np.float32), counts)
    entry = change.astype(np.int32)
    entry &= entries - 1
    return entry, now
