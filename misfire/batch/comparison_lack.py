"""What each firing of a recording lacks of torque against its neighbours in time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.batch.comparison_side import Side
from misfire.dsp.running import running_quantile
from misfire.features.torque import LEAST_NEIGHBOURS, LOCAL_FIRINGS
from misfire.report.summary import LOST

LEAST = 10  # firings of a cylinder
TO_SIGMA = 1.4826  # standard deviation over median absolute deviation, normal law
PARTED = 0.8  # share of lost and of good firings on their side of half a loss
UNEVEN_DEG = 15.0  # more than the advance differs among cylinders


@dataclass(frozen=True, slots=True)
class Lack:
    """What each firing lacks against its neighbours in time.

    `lack` [parts of omega squared]: below the neighbours' acceleration; `square`: omega squared
    [1/s^2]; `own`: over what its
    cylinder usually lacks; `rough`: the spread of that over the whole recording; `z`: the same in
    spreads of the firings around; `is_weak`: more than both firings next to it, which share the
    loss of a lost one; `is_strong`: less than both; `is_good`: not judged lost, nor half so.
    `is_even`: whether the cylinders fire as far apart: else each has a level of its own.
    """

    order: tuple[int, ...]
    cylinder: NDArray[np.int64]
    lack: NDArray[np.float64]
    square: NDArray[np.float64]
    own: NDArray[np.float64]
    rough: float
    z: NDArray[np.float64]
    is_weak: NDArray[np.bool_]
    is_strong: NDArray[np.bool_]
    is_good: NDArray[np.bool_]
    is_even: bool = True


def measure_lack(side: Side) -> Lack | None:
    """Work out what each firing lacks.

    Parameters
    ----------
    side : Side

    Returns
    -------
    lack : Lack or None
        None without a torque.

    Notes
    -----
    Neighbours over whole cycles, so that every cylinder weighs the same among them. A lost firing
    is felt in the windows of the next firings as well: only the weakest of its neighbours counts.
    """
    n = len(side.order)
    accel, rpm = side.column("segment_accel").copy(), side.column("rpm")
    number = side.column("cylinder").astype(np.int64)
    accel[side.flagged("fuel_cut") | side.flagged("edge") | ~(rpm > 0)] = np.nan
    if np.isfinite(accel).sum() < LEAST * n:
        return None
    reach = n * -(-LEAST_NEIGHBOURS // n)
    level = running_quantile(accel, reach=reach, skip_self=True)
    square = np.square(np.where(rpm > 0, rpm, np.nan) * np.pi / 30.0)
    lack = (level - accel) / square
    own = np.full(lack.size, np.nan)
    for c in side.order:
        mine = (number == c) & np.isfinite(lack)
        if mine.sum() >= LEAST:
            own[mine] = lack[mine] - float(np.median(lack[mine]))
    if not np.isfinite(own).any():
        return None
    rough = TO_SIGMA * float(np.nanmedian(np.abs(own)))
    noise = TO_SIGMA * running_quantile(np.abs(own), reach=LOCAL_FIRINGS)
    noise = np.maximum(noise, 0.5 * rough)
    z = own / np.where(noise > 0, noise, np.nan)
    good = side.column("misfire_probability") < LOST / 2
    weak, strong = _find_peaks(z), _find_peaks(-z)
    return Lack(side.order, number, lack, square, own, rough, z, weak, strong, good, _is_even(side))


def find_worked(
    lacks: tuple[Lack | None, Lack | None], lost: NDArray[np.bool_], cylinders: tuple[int, ...]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]] | None:
    """Find the firings that gave more than half of what the lost ones before lacked.

    Parameters
    ----------
    lacks : Lack or None before, and after
    lost : bool array [shape=(n_firings before,)]
    cylinders : tuple of int

    Returns
    -------
    worked : two bool arrays [shape=(n_firings,)] or None
        Before, and after. None where torque does not part the lost firings from the others.
    """
    if lacks[0] is None or lacks[1] is None:
        return None
    over = _set_against_good(lacks[0]), _set_against_good(lacks[1])
    known = np.isfinite(over[0]) & np.isin(lacks[0].cylinder, cylinders)
    of_lost, of_good = over[0][known & lost], over[0][known & ~lost & lacks[0].is_good]
    if of_lost.size < LEAST or of_good.size < LEAST:
        return None
    half = 0.5 * float(np.median(of_lost))
    if min(np.mean(of_lost > half), np.mean(of_good < half)) < PARTED:
        return None
    return over[0] < half, over[1] < half


def _set_against_good(lack: Lack) -> NDArray[np.float64]:
    """Give the torque each firing lacks over the good ones of its cylinder; NaN: none is good."""
    over = np.full(lack.own.size, np.nan)
    torque = lack.own * lack.square  # a lost combustion is one at any speed
    for c in lack.order:
        mine = lack.cylinder == c
        good = torque[mine & lack.is_good & np.isfinite(torque)]
        if good.size:
            over[mine] = torque[mine] - float(np.median(good))
    return over


def _is_even(side: Side) -> bool:
    """Tell whether the cylinders fire as far apart, by where their coils switch off."""
    number, angle = side.column("cylinder"), side.column("crank_deg")
    places = []
    for c in side.order:
        known = angle[(number == c) & np.isfinite(angle)]
        if not known.size:
            return True
        turn = np.exp(1j * np.deg2rad(known) / 2.0).mean()
        places.append(float(np.rad2deg(np.angle(turn)) * 2.0))
    apart = np.diff([*places, places[0]]) % 720.0
    return len(places) < 2 or bool(np.all(np.abs(apart - 720.0 / len(places)) < UNEVEN_DEG))


def _find_peaks(z: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Find the firings that lack more than the one before and the one after."""
    known = np.where(np.isfinite(z), z, -np.inf)
    left = np.concatenate(([-np.inf], known[:-1]))
    right = np.concatenate((known[1:], [-np.inf]))
    return np.asarray((known > left) & (known >= right))
