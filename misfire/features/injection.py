"""Fuel of each firing: its injections, against the cylinder's usual ones."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.running import running_quantile
from misfire.dsp.track import angle_at
from misfire.records import CrankTrack, Firings

PORT_DEG = -140.0  # before TDC: intake valve closed; what comes later waits for the next cycle
DIRECT_DEG = 20.0  # after TDC: a spray into the cylinder has ended by then
NEAR_CYCLES = 3  # a gap in the injections longer than this is a fuel cut, no missing pulse
KICKLESS = 0.3  # of the usual kick: the injector did not switch
SHORT = 0.25  # a pulse shorter than usual by more than this
USUAL_REACH = 10


@dataclass(frozen=True, slots=True)
class InjectionTable:
    """One row per firing; NaN where no channel watches this cylinder's injector.

    `pulse_ms`: all injections for this firing together, 0 if none came; `n_pulses`; `kick_v`: the
    least of their kicks; `pulse_share`: pulse over the cylinder's usual near in time. `missing`: 1
    where none came although the cylinder was fed before and after, 0 else. `needle_ms`
    [by cylinder]: landing or opening of the needle in the mean waveform.
    """

    pulse_ms: NDArray[np.float64]
    n_pulses: NDArray[np.float64]
    kick_v: NDArray[np.float64]
    pulse_share: NDArray[np.float64]
    missing: NDArray[np.float64]
    needle_ms: dict[int, float]

    def find_fault(self) -> NDArray[np.bool_]:
        """Tell at which firings the injector did not do its work.

        Returns
        -------
        failed : bool array [shape=(n_firings,)]
            No pulse, a pulse far shorter than usual, or one without the kick of its coil.
        """
        usual = running_quantile(self.kick_v, reach=USUAL_REACH, quantile=0.6)
        with np.errstate(invalid="ignore"):
            dead = self.kick_v < KICKLESS * usual
            short = self.pulse_share < 1.0 - SHORT
        return np.asarray((self.missing == 1) | dead | (short & (self.pulse_ms > 0)))


def match_injections(
    track: CrankTrack,
    firings: Firings,
    trains: list[
        tuple[
            int,
            NDArray[np.float64],
            NDArray[np.float64],
            NDArray[np.float64],
            tuple[float, float],
            float,
        ]
    ],
) -> InjectionTable:
    """Give each firing the injections that fed it.

    Parameters
    ----------
    track : CrankTrack
    firings : Firings
    trains : list of (cylinder, stop_s, pulse_ms, kick_v, (first_s, last_s), needle_ms)
        One for each channel of one injector, on the common clock; `first_s` to `last_s` is the
        time the channel was recorded.

    Returns
    -------
    table : InjectionTable

    Notes
    -----
    An injection into the port counts for the cycle whose intake follows it, one into the cylinder
    for the compression it falls into: the channel's own angles tell which it is (common practice;
    valve times differ by some 30 degrees, injections keep clear of them).
    """
    n = firings.cylinder.size
    pulse, count, kick, missing = (np.full(n, np.nan) for _ in range(4))
    needles: dict[int, float] = {}
    for cylinder, stop_s, pulse_ms, kick_v, (first_s, last_s), needle_ms in trains:
        rows = np.flatnonzero(firings.cylinder == cylinder)
        if not rows.size:
            continue
        needles[cylinder] = needle_ms
        rows = rows[np.argsort(firings.tdc_s[rows], kind="stable")]
        tdc = firings.tdc_angle_deg[rows]
        theta = angle_at(track, stop_s)
        known = np.flatnonzero(np.isfinite(theta))
        edge = _find_edge(theta[known], tdc)
        cycle_s = 120.0 / np.where(firings.rpm[rows] > 0, firings.rpm[rows], np.nan)
        begin_s = firings.tdc_s[rows] - 1.3 * cycle_s
        covered = (begin_s > first_s) & (firings.tdc_s[rows] < last_s) & np.isfinite(cycle_s)
        # a later stretch may overlap in angle: look in one stretch at a time
        at = np.clip(np.searchsorted(track.time_s, stop_s), 0, track.time_s.size - 1)
        of = track.stretch[at]
        for stretch in np.unique(firings.stretch[rows]).tolist():
            here = np.flatnonzero(firings.stretch[rows] == stretch)
            own = known[of[known] == stretch]
            own = own[np.argsort(theta[own], kind="stable")]
            # strictly ascending TDCs of one cylinder, 720 degrees apart
            lo = np.searchsorted(theta[own], tdc[here] + edge - 720.0)
            hi = np.searchsorted(theta[own], tdc[here] + edge)
            sums = np.concatenate(([0.0], np.cumsum(pulse_ms[own])))
            pulse[rows[here]] = sums[hi] - sums[lo]
            count[rows[here]] = hi - lo
            for k, (a, b) in enumerate(zip(lo.tolist(), hi.tolist(), strict=True)):
                if b > a and np.isfinite(kick_v[own[a:b]]).any():
                    kick[rows[here[k]]] = np.nanmin(kick_v[own[a:b]])
        pulse[rows[~covered]] = count[rows[~covered]] = kick[rows[~covered]] = np.nan
        missing[rows] = _find_missing(count[rows])
    share = np.full(n, np.nan)
    for cylinder in needles:
        rows = np.flatnonzero(firings.cylinder == cylinder)
        fed = np.where(pulse[rows] > 0, pulse[rows], np.nan)
        usual = running_quantile(fed, reach=USUAL_REACH, skip_self=True)
        share[rows] = pulse[rows] / usual
    return InjectionTable(pulse, count, kick, share, missing, needles)


def _find_edge(theta: NDArray[np.float64], tdc: NDArray[np.float64]) -> float:
    """Angle about compression TDC at which the next cycle's injections begin to count."""
    if not theta.size or not tdc.size:
        return PORT_DEG
    away = (theta - tdc[0] + 360.0) % 720.0 - 360.0
    direct = (away > PORT_DEG) & (away < DIRECT_DEG)
    return DIRECT_DEG if direct.mean() > 0.5 else PORT_DEG


def _find_missing(count: NDArray[np.float64]) -> NDArray[np.float64]:
    """1 where no injection came between others near in time, NaN where nothing was watched."""
    missing = np.where(np.isfinite(count), 0.0, np.nan)
    empty = np.flatnonzero(count == 0)
    fed = np.flatnonzero(count > 0)
    if not fed.size:
        return missing
    at = np.searchsorted(fed, empty)
    inside = (at > 0) & (at < fed.size)
    empty, at = empty[inside], at[inside]
    run = fed[at] - fed[at - 1] - 1
    missing[empty[run <= NEAR_CYCLES]] = 1.0
    return missing
