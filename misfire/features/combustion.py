"""Work of a usual combustion, from the pulses of crank speed that the recording itself shows."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.running import running_quantile
from misfire.dsp.track import time_at
from misfire.features.overlap import DONE_DEG, DONE_SHARE
from misfire.features.wheelerrors import PITCH_PRIOR
from misfire.records import CrankTrack, Engine

PLACES = 8  # at which a firing interval is looked at: enough for its first harmonic
LEAST_TEETH = 4  # in a firing interval: fewer show less than its first harmonic (sampling theorem)
LOCAL_CYCLES = 4  # on each side, among which the pulse is a usual one

# Energy per inertia of one combustion of a four [1/s^2]: 0.5 l a cylinder, 2 to 12 bar, 0.15 kg m2
# (docs/sources.md). The crank grows with the number of cylinders, a flywheel like 2.5 of them does
# not (rough), nor does one combustion. Spread: of its log.
USUAL_WORK, WORK_SPREAD, FLYWHEEL = 700.0, 0.6, 2.5
# Work of compression, in combustions: 3.7 bar against 11.5 bar of gross mean pressure at full
# filling (compression 10, exponent 1.3), more where the residual gas is much. It and the burn's
# length leave a quarter of the pulse open.
COMPRESSION_SHARE = 0.35
COMPRESSION_RATIO, EXPONENT, ROD_RATIO = 10.0, 1.3, 0.29
FORM_SPREAD = 0.25
# Four pistons that stop at the same time give the crank their energy: 4 x 0.45 kg at 43 mm of
# throw, half of it, over 0.15 kg m2; how heavy they are is not known.
PISTON_SHARE, PISTON_SPREAD = 0.010, 0.004
# A long crankshaft twists with the firings; where the sensor is, and how much, is not known.
LONG_CRANK, TWIST_RAD = 6, 1e-3  # cylinders; 0.06 degrees, a third of what is seen at the front end
LEAST_SPREAD = 0.15  # of the log: nothing here is known better than that
LOST_SPREAD, LEAST_LOST = 0.15, 3  # of the log: so well say it so many plainly lost firings


@dataclass(frozen=True, slots=True)
class CombustionWork:
    """What a combustion usually gives about each firing.

    `work` [shape=(n_firings,), unit=1/s^2]: energy per inertia. `spread` [shape=(n_firings,)]:
    standard deviation of its logarithm.
    """

    work: NDArray[np.float64]
    spread: NDArray[np.float64]


def measure_pulse(
    track: CrankTrack, tdc_deg: NDArray[np.float64], *, engine: Engine
) -> NDArray[np.complex128]:
    """Measure the swing of the crank's energy over the firing interval about each TDC.

    Parameters
    ----------
    track : CrankTrack
    tdc_deg : float64 array [shape=(n_firings,), unit=deg]
    engine : Engine

    Returns
    -------
    pulse : complex128 array [shape=(n_firings,), unit=1/s^2]
        First harmonic of omega^2/2 in the interval, its slope taken out: real part in phase with
        TDC, imaginary part a quarter later. NaN where the angle is not known throughout, and of a
        wheel with too few teeth.
    """
    interval = 720.0 / engine.cylinders
    teeth = track.wheel.positions - sum(len(gap) for gap in track.wheel.gaps)
    if 360.0 / teeth > interval / LEAST_TEETH:
        return np.full(tdc_deg.size, np.nan, complex)
    step = interval / PLACES
    passed = [time_at(track, tdc_deg + k * step) for k in range(-PLACES // 2 - 1, PLACES // 2 + 2)]
    turned2 = np.deg2rad(2.0 * step) ** 2 / 2.0
    energy = [turned2 / (passed[k + 2] - passed[k]) ** 2 for k in range(PLACES + 1)]
    return _take_harmonic(energy)


def _take_harmonic(energy: list[NDArray[np.float64]]) -> NDArray[np.complex128]:
    """First harmonic of PLACES + 1 values over one period, the slope from end to end taken out."""
    slope = (energy[-1] - energy[0]) / PLACES
    pulse = np.zeros(energy[0].shape, complex)
    for k, value in enumerate(energy):
        turn = 2.0 * np.pi * (k / PLACES - 0.5)
        weight = (0.5 if k in (0, PLACES) else 1.0) * 2.0 / PLACES
        pulse += weight * (value - slope * (k - PLACES / 2)) * np.exp(1j * turn)
    return pulse


@cache
def _make_stroke() -> NDArray[np.float64]:
    """Torque of one cylinder over its cycle [shape=(720,), 1/deg], TDC at 360; its work is 1."""
    after_deg = np.arange(-360.0, 360.0)
    turn = np.radians(after_deg)
    way = 1.0 - np.cos(turn) + (1.0 - np.sqrt(1.0 - (ROD_RATIO * np.sin(turn)) ** 2)) / ROD_RATIO
    volume = way / 2.0 * (COMPRESSION_RATIO - 1.0) + 1.0
    closed = np.abs(after_deg) < 180.0
    gas = np.where(closed, volume**-EXPONENT * np.gradient(volume), 0.0)
    gas /= -gas[after_deg < 0].sum()
    burn = np.gradient(np.interp(after_deg, DONE_DEG, DONE_SHARE))
    return np.asarray(burn + COMPRESSION_SHARE * gas)


@cache
def _expect_pulses(engine: Engine) -> dict[int, complex]:
    """Pulse about each cylinder's TDC that combustions of the work 1 give, pistons aside."""
    stroke = np.roll(_make_stroke(), -360)  # from TDC on
    torque = np.zeros(720)
    for angle in engine.firing_angles_deg:
        torque += np.roll(stroke, round(angle))
    energy = np.cumsum(torque - torque.mean())
    interval = 720.0 / engine.cylinders
    step = interval / PLACES
    around = np.linspace(-step, step, 61)  # the speed is a mean over the window
    found = {}
    for cylinder, angle in zip(engine.firing_order, engine.firing_angles_deg, strict=True):
        at = angle + (np.arange(PLACES + 1) - PLACES / 2) * step
        values = np.interp((at[:, None] + around) % 720.0, np.arange(720.0), energy, period=720.0)
        pulse = _take_harmonic([np.array([v]) for v in values.mean(axis=1)])
        found[cylinder] = complex(pulse[0])
    return found


def estimate_work(
    pulse: NDArray[np.complex128],
    speed2: NDArray[np.float64],
    cylinder: NDArray[np.int64],
    *,
    engine: Engine,
    lost: NDArray[np.bool_] | None = None,
    missing: NDArray[np.float64] | None = None,
) -> CombustionWork:
    """Estimate the work of a usual combustion about each firing.

    Parameters
    ----------
    pulse : complex128 array [shape=(n_firings,), unit=1/s^2]
        From `measure_pulse`.
    speed2 : float64 array [shape=(n_firings,), unit=1/s^2]
        omega^2 at TDC.
    cylinder : int64 array [shape=(n_firings,)]
    engine : Engine
    lost : bool array [shape=(n_firings,)], optional
        Firings that are plainly lost.
    missing : float64 array [shape=(n_firings,), unit=1/s^2], optional
        Energy that each firing lacks.

    Returns
    -------
    found : CombustionWork

    Notes
    -----
    In steady running a stroke gains as much as the load takes, whatever its size; but the crank
    speeds up and slows down within the stroke by what the combustion gives. The size of that swing
    for a combustion of the work 1 follows from slider-crank, polytropic compression and the usual
    burn (closed form), with compression in proportion to combustion. With ten cylinders and more
    hardly any swing is left, and four pistons in step swing the crank themselves the more, the
    faster it turns: there what is usual of engines has its say, weighed by the inverse variance.
    Firings that are plainly lost show the work itself, where that agrees.
    """
    usual = np.array([_expect_pulses(engine).get(int(c), np.nan) for c in cylinder], complex)
    seen = pulse.copy()
    together = _stop_together(engine)
    if together:
        seen -= PISTON_SHARE * speed2 / 2.0
    size2 = np.abs(usual) ** 2
    single = (usual.conj() * seen).real / size2
    if lost is not None:
        single[lost] = np.nan
    reach = LOCAL_CYCLES * engine.cylinders
    by_pulse = running_quantile(single, reach=reach) if single.size else single
    # an odd number of cylinders swings the crank at half orders, which no wheel can
    wheel = 0.0 if engine.cylinders % 2 else PITCH_PRIOR
    by_wheel = wheel * speed2 / np.sqrt(_count_places(engine) * size2)
    by_pistons = (PISTON_SPREAD if together else 0.0) * speed2 / 2.0 / np.sqrt(size2)
    twist = TWIST_RAD * engine.cylinders / 2.0 if engine.cylinders >= LONG_CRANK else 0.0
    by_twist = twist * speed2 / np.sqrt(size2)  # a swing of angle, as one of omega^2/2
    usual_work = USUAL_WORK * (4.0 + FLYWHEEL) / (engine.cylinders + FLYWHEEL)
    by_pulse = np.maximum(by_pulse, 0.1 * usual_work)
    error = np.sqrt((FORM_SPREAD * by_pulse) ** 2 + by_wheel**2 + by_pistons**2 + by_twist**2)
    weight = np.nan_to_num((by_pulse / error) ** 2)
    prior = WORK_SPREAD**-2
    log_work = (weight * np.log(np.nan_to_num(by_pulse, nan=usual_work))) / (weight + prior)
    log_work += prior * np.log(usual_work) / (weight + prior)
    spread = np.sqrt(1.0 / (weight + prior))
    if lost is not None and missing is not None:
        off = _compare_with_lost(log_work, lost, missing, cylinder)
        doubt = float(np.median(spread)) if spread.size else np.nan
        if abs(off) < 2.0 * doubt:  # else they are half burnt, or not of one kind
            log_work += off * doubt**2 / (doubt**2 + LOST_SPREAD**2)
            spread = 1.0 / np.sqrt(spread**-2 + LOST_SPREAD**-2)
    return CombustionWork(np.exp(log_work), np.maximum(spread, LEAST_SPREAD))


def _compare_with_lost(
    log_work: NDArray[np.float64],
    lost: NDArray[np.bool_],
    missing: NDArray[np.float64],
    cylinder: NDArray[np.int64],
) -> float:
    """Logarithm of what plainly lost firings lack, over the work supposed; NaN where there are few.

    Of the cylinder that lacks most: no firing lacks more than its work, but some lack less.
    """
    most = np.nan
    for c in np.unique(cylinder[lost]):
        own = lost & (cylinder == c) & (missing > 0)
        if np.count_nonzero(own) >= LEAST_LOST:
            most = np.fmax(most, np.median(np.log(missing[own]) - log_work[own]))
    return float(most)


def _stop_together(engine: Engine) -> bool:
    """Tell whether all pistons stop at the same time, once in each firing interval."""
    return engine.cylinders == 4 and all(
        abs((angle + 90.0) % 180.0 - 90.0) < 1.0 for angle in engine.firing_angles_deg
    )


def _count_places(engine: Engine) -> int:
    """Count the places of the wheel at which cylinders have their TDC."""
    return len({round(angle) % 360 for angle in engine.firing_angles_deg})
