"""A coil's primary from switch-off over the breakdown on, drawn from a circuit for many breakdowns.

Parts, all seen from the primary: the magnetising current, which the driver cuts off; the leakage
inductance between the windings, which rings with the collector's capacity; the secondary's
capacity, which the current charges until the gap breaks down; from then on the spark line.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

STEP_US = 0.1  # a thirtieth of the ringing's period
REACH_US = 36.0  # of the drawing; later breakdowns stand clear of the ringing, and are seen
LINE_FALL_US = 0.3  # 5 kohm of the lead with 60 pF: how fast the gap discharges the secondary
LEAK_SHARE = 0.07  # of both windings' leakage in the primary inductance: coupling of 0.96 to 0.97
EARLIER_SHARE = 0.3  # of a sample, by which the first high one may be the second behind the foot
MODEL_V, MODEL_SHARE, MODEL_US = 0.5, 0.03, 0.1  # how well a real coil follows the circuit
FOOT_V_PER_US = 60.0  # at the foot itself the wave bends faster than the steps show


@dataclass(frozen=True, slots=True)
class KickCircuit:
    """Circuits of K coils; each array [shape=(K, 1)].

    `charge_v_per_us` current cut off over the collector's capacity; `ring_rad_per_us` frequency of
    the leakage; `damp_us` series resistance times the collector's capacity; `share` the collector's
    capacity over the secondary's; `fall_us` of the driver's current; `clamp_v` and `floor_v` above
    the supply, where the driver holds the collector.
    """

    charge_v_per_us: NDArray[np.float64]
    ring_rad_per_us: NDArray[np.float64]
    damp_us: NDArray[np.float64]
    share: NDArray[np.float64]
    fall_us: NDArray[np.float64]
    clamp_v: NDArray[np.float64]
    floor_v: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What else a drawing needs.

    `supply_v`; `line_v` the spark line above it; `drop_v` what the charging current drops in the
    windings; `ceiling_v` above the supply, where the instrument clips.
    """

    supply_v: float
    line_v: float
    drop_v: float
    ceiling_v: float


def draw_kicks(
    circuit: KickCircuit, broke_us: NDArray[np.float64], around: Surroundings
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Draw the primary for every breakdown of every coil.

    Parameters
    ----------
    circuit : KickCircuit
    broke_us : float64 array [shape=(n,), unit=us, ascending]
        From switch-off to breakdown. The last beyond REACH_US: no breakdown.
    around : Surroundings

    Returns
    -------
    volts : float32 array [shape=(K, n, n_steps), unit=V above the supply]
        The first stands STEP_US behind the switch-off.
    height : float64 array [shape=(K, n_steps), unit=V]
        The secondary over the turns ratio, as long as nothing breaks down.

    Notes
    -----
    Source: equivalent T circuit of a transformer (textbooks of electrical machines), capacities
    across both windings, driver with a falling current and an active clamp (common practice).
    """
    tail, ring, damp, share, fall, clamp, floor = (
        getattr(circuit, f.name).astype(np.float32) for f in fields(circuit)
    )
    shape = (len(tail), len(broke_us))
    n_steps = round(REACH_US / STEP_US)
    spring, drop = STEP_US * ring**2, around.drop_v / tail
    ebb, follow = 0.5 * LEAK_SHARE * spring, STEP_US / (damp + STEP_US)
    volts = np.empty((n_steps, *shape), np.float32)
    height = np.empty((n_steps, len(tail)), np.float32)
    # state: two currents in volts per microsecond, three voltages; row 0 does not break down
    state = np.empty((5, *shape), np.float32)
    state[:2], state[2:] = tail, -around.supply_v
    times = (np.arange(n_steps) + 1) * STEP_US
    ends = 1 + np.searchsorted(broke_us[:-1], times)
    done = 1
    for step, (end, time) in enumerate(zip(ends, times, strict=True)):
        state[:, :, done:end] = state[:, :, :1]
        done = end
        current, driven, secondary, capacity, collector = state[:, :, :end]
        pull = secondary - collector
        pull[:, :1] += (drop * (driven - current))[:, :1]
        current += spring * pull
        driven -= ebb * (secondary + collector)
        net = current - tail * np.maximum(np.float32(0.0), np.float32(1.0) - time / fall)
        moved = capacity + STEP_US * net
        free = moved + damp * net
        held = np.minimum(np.maximum(free, floor), clamp)
        capacity[:] = np.where(held == free, moved, capacity + (held - capacity) * follow)
        collector[:] = held
        charged = secondary[:, :1] + (STEP_US * share) * (driven - current)[:, :1]
        secondary += (around.line_v - secondary) * np.float32(STEP_US / LINE_FALL_US)
        secondary[:, :1] = charged
        volts[step, :, : end - 1] = held[:, 1:]
        volts[step, :, end - 1 :] = held[:, :1]
        height[step] = charged[:, 0]
    np.minimum(volts, around.ceiling_v, out=volts)
    return np.moveaxis(volts, 0, 2), height.T.astype(np.float64)


@dataclass(frozen=True, slots=True)
class Drawn:
    """One coil's drawings as an instrument would sample them.

    `level` and `sigma` (how far a sample may lie off) [shape=(n_phases, n_breakdowns, n_samples)],
    `lit` 1.0 where a sample lies on the spark line; `phase_us` [shape=(n_phases,)].
    """

    level: NDArray[np.float64]
    sigma: NDArray[np.float64]
    lit: NDArray[np.float64]
    phase_us: NDArray[np.float64]


def sample_drawing(
    volts: NDArray[np.float32],
    broke_us: NDArray[np.float64],
    *,
    period_us: float,
    n_samples: int,
    phase_us: float,
    low_v: float,
    noise_v: float,
) -> Drawn:
    """Sample the drawings at all phases: how long before the first high sample the coil went off.

    Parameters
    ----------
    volts : float32 array [shape=(n, n_steps)]
        Of `draw_kicks`, of one coil.
    broke_us : float64 array [shape=(n,)]
    period_us : float
        Between two samples.
    n_samples : int
        The first of them is the last before the wave was high.
    phase_us : float
        Step of the phases.
    low_v : float
        The driver's low level above the supply.
    noise_v : float

    Returns
    -------
    drawn : Drawn
    """
    longest = (1.0 + EARLIER_SHARE) * period_us
    n_phases = max(2, round(longest / phase_us))
    phase = longest * (np.arange(n_phases) + 0.5) / n_phases
    time = phase[:, None] + (np.arange(n_samples) - 1.0) * period_us
    place = time / STEP_US - 1.0
    at = np.clip(np.floor(place).astype(np.int64), 0, volts.shape[1] - 2)
    part = np.clip(place - at, 0.0, 1.0)
    level = np.where(time > 0, volts[:, at] * (1 - part) + volts[:, at + 1] * part, low_v)
    before, behind = np.maximum(at - 1, 0), np.minimum(at + 2, volts.shape[1] - 1)
    slope = np.abs(volts[:, behind] - volts[:, before]) / (3 * STEP_US)
    slope = np.where(time < 3 * STEP_US, np.maximum(slope, FOOT_V_PER_US), slope)
    slope = np.where(time < -STEP_US, 0.0, slope)
    sigma = np.sqrt(noise_v**2 + MODEL_V**2 + (MODEL_US * slope) ** 2 + (MODEL_SHARE * level) ** 2)
    lit = time[:, None, :] > broke_us[None, :, None] + 1.0
    return Drawn(np.moveaxis(level, 0, 1), np.moveaxis(sigma, 0, 1), lit.astype(np.float64), phase)


def score_drawings(
    drawn: Drawn, heads: NDArray[np.float64], line_off: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Score each firing against each drawing: minus twice the log likelihood.

    Parameters
    ----------
    drawn : Drawn
    heads : float64 array [shape=(n, n_samples), unit=V above the supply]
    line_off : float64 array [shape=(n,), unit=V]
        By how much the firing's spark line stands higher than the drawn one.

    Returns
    -------
    score : float64 array [shape=(n, n_phases * n_breakdowns)]
    """
    n_samples = drawn.level.shape[2]

    def flat(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return values.reshape(-1, n_samples)

    weight = flat(drawn.sigma) ** -2.0
    level, lit = flat(drawn.level), flat(drawn.lit)
    lit_weight = weight * lit
    score = (heads**2) @ weight.T - 2.0 * heads @ (weight * level).T
    score += (weight * level**2 - np.log(weight)).sum(axis=1)
    off = line_off[:, None]
    score -= 2.0 * off * (heads @ lit_weight.T - (lit_weight * level).sum(axis=1))
    score += off**2 * lit_weight.sum(axis=1)
    return np.asarray(score)
