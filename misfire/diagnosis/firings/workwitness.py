"""What the crank says of each firing's work: a likelihood of done, partial and lost."""

from __future__ import annotations

from math import log
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.diagnosis.firings.lightload import find_light_work
from misfire.diagnosis.firings.states import FREEDOM, JUDGED_WORK
from misfire.dsp.chances import log_normal, log_student
from misfire.limits import FAULTY, FUEL_CUT_Z

if TYPE_CHECKING:
    import pandas as pd

LEAST_SIGMA = 0.05  # of a combustion: no stroke is followed more closely
LIGHT_SIGMA = 0.03  # of a usual one, where hardly anything burns: the wheel's teeth err as before
ROUGHER = 1.25  # spread of sound firings over the robust estimate, which leaves the rough ones out
SHAKEN_Z = 5.0  # a lack of so many spreads in a sound cylinder is a shake of the engine
MOST_SHAKEN, LEAST_SHAKEN = 0.2, 2e-4  # share of firings that are shaken
USUAL_SHAKEN = 0.5 / 30.0  # half a shaken firing in thirty, before the other cylinders are asked
SOUND_CYLINDERS = 0.6  # of the other cylinders: a second faulty one must not pass for shakes
SHAKE_CENTRE, SHAKE_SPREAD = 3.0, 5.0  # spreads that a shaken firing lacks
SIZES = (-2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0)
"""Log of a combustion over its estimate, in standard deviations of that estimate."""
LEAST_SIZE = -0.7  # log: of less than half of what pulses or engines in general show it is no loss
PLAINLY = 3.0  # log likelihood ratio of a lost firing over a sound one
USUAL_UNIT = 0.3  # of it: how well a combustion's work is known where the recording does not say
SHARE_LOST, SHARE_PARTIAL = 0.02, 0.005  # of all firings, as the worth of one is looked for
MOST_TELLING = 5.0  # firings count as so many at most there: what is wrong of the unit is in all
LOADS = 0.35  # of a combustion: how much lost ones of one recording differ from the usual work
PARTIAL_SHARES = (0.1, 0.2, 0.3, 0.4)  # of a combustion
ALIKE = 0.15  # of a combustion: how much two of one kind differ
WHEEL_ERROR = 0.01
"""Of omega^2 / 2: what teeth out of place by 0.1 degree make of the speed over half a stroke of a
four-cylinder engine, twice (worked out); a cylinder that always lacks less may not lack at all."""
MISSING_OF = (0.003, 0.01, 0.2)  # probability that no injection came, by JUDGED_WORK
FAILED_OF = {
    # How the charge was fed -> probability that its injector is seen to fail. An empty rail, a
    # blocked nozzle and false air show nothing of it: those charges are fed as usual.
    "usual": 0.003,
    "unfed": 0.6,
}


def weigh_work(
    table: pd.DataFrame, cylinder: NDArray[np.int64], *, faulty: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Weigh done, partial and lost work against every firing's torque.

    Parameters
    ----------
    table : DataFrame [columns=FIRING_COLUMNS]
    cylinder : int64 array [shape=(n_firings,)]
    faulty : float64 array [shape=(n_cylinders,)]
        Probability that each cylinder has a fault: what one always lacks is the wheel's error where
        it is believed sound, and a loss where it is not.

    Returns
    -------
    log_likelihood : float64 array [shape=(n_firings, len(JUDGED_WORK))]
        All 0 where the crank does not show the stroke.
    cut : bool array [shape=(n_firings,)]
        The engine gives so little there that its fuel is cut (`firings/lightload.py`); nothing is
        said of those.

    Notes
    -----
    A lost combustion lacks the work of one, in units of the recording's own. How often a sound
    stroke lacks as much (potholes, gear changes, clutch) is told by the recording's
    other cylinders: what shakes an engine does not choose one of them.
    """
    n_cylinders = faulty.size
    with np.errstate(divide="ignore", invalid="ignore"):
        low = table["torque_level_change"].to_numpy(float) < FUEL_CUT_Z
    lack = table["torque_lack"].to_numpy(float, copy=True)
    sigma = table["torque_lack_sigma"].to_numpy(float)
    weighed = np.zeros((len(table), len(JUDGED_WORK)))
    known = np.isfinite(lack) & np.isfinite(sigma)
    seen = known & ~low
    if not seen.any():
        return weighed, low
    shaken = _find_shaken(lack / sigma, seen, cylinder, n_cylinders)[cylinder]
    # of either by itself: what is even at idle need not grow with the speed as an error does
    for some in (seen, known & low):
        lack[some] -= _find_offsets(table, cylinder, some, faulty)[some]
    sigma = np.hypot(sigma, LEAST_SIGMA)
    units = table["torque_unit_sigma"].to_numpy(float)[seen]
    unit = float(np.nanmedian(units)) if np.isfinite(units).any() else USUAL_UNIT
    weighed[seen, 0] = _weigh_sound(lack[seen], sigma[seen], shaken[seen])
    weighed[seen, 1:] = _weigh_losses(lack[seen], sigma[seen], weighed[seen, 0], unit)
    light = known & low
    worth = np.where(low, 0.0, 1.0)
    scale = _compare_units(table, seen)[light]
    own, own_sigma = scale * lack[light], np.hypot(LIGHT_SIGMA, scale * sigma[light])
    worth[light] = find_light_work(
        own,
        own_sigma,
        _weigh_sound(own, own_sigma, shaken[light]),
        _find_losing(weighed, seen, cylinder, n_cylinders)[cylinder[light]],
        np.diff(np.flatnonzero(light), prepend=-2) > 1,
    )
    fed = worth[light] > 0.0
    light &= worth > 0.0
    own, own_sigma = (v[fed] / worth[light] for v in (own, own_sigma))
    weighed[light, 0] = _weigh_sound(own, own_sigma, shaken[light])
    weighed[light, 1:] = _weigh_losses(own, own_sigma, weighed[light, 0], unit)
    return weighed, worth == 0.0


def _compare_units(table: pd.DataFrame, seen: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Work of a combustion by each firing's own pulses over what is usual of those `seen`.

    Where nothing burns they show a tenth of it, and a lack in units of that would be no lack.
    """
    unit = table["torque_unit_relative"].to_numpy(float) * table["speed_rpm"].to_numpy(float) ** 2
    usual = unit[seen & np.isfinite(unit)]
    return np.asarray(np.nan_to_num(unit / np.median(usual), nan=1.0) if usual.size else unit)


def _weigh_sound(
    lack: NDArray[np.float64], sigma: NDArray[np.float64], shaken: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Log likelihood of what a sound stroke lacks, shaken or not."""
    sound = log_normal(lack, ROUGHER * sigma)
    shake = log_student(lack - SHAKE_CENTRE * sigma, SHAKE_SPREAD * sigma, freedom=FREEDOM)
    return np.asarray(np.logaddexp(np.log1p(-shaken) + sound, np.log(shaken) + shake))


def _find_losing(
    weighed: NDArray[np.float64],
    seen: NDArray[np.bool_],
    cylinder: NDArray[np.int64],
    n_cylinders: int,
) -> NDArray[np.float64]:
    """Share of each cylinder's firings that are plainly lost [shape=(n_cylinders + 1,)]."""
    plainly = seen & (weighed[:, 2] - weighed[:, 0] > PLAINLY)
    lost = np.bincount(cylinder[plainly], minlength=n_cylinders + 1)
    return np.asarray(lost / np.maximum(np.bincount(cylinder[seen], minlength=n_cylinders + 1), 1))


def weigh_injection(missing: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weigh done, partial and lost work against whether each firing was fed.

    Parameters
    ----------
    missing : float64 array [shape=(n_firings,)]
        1 where no injection came, 0 where one did; NaN where that is not known.

    Returns
    -------
    log_likelihood : float64 array [shape=(n_firings, len(JUDGED_WORK))]
    """
    return _weigh_seen(missing, np.array([MISSING_OF]))


def weigh_feeding(failed: NDArray[np.float64], feeding: str) -> NDArray[np.float64]:
    """Weigh how a charge was fed against what each firing's injector did.

    Parameters
    ----------
    failed : float64 array [shape=(n_firings,)]
        1 where it did not do its work, 0 where it did; NaN where that is not known.
    feeding : {"usual", "unfed"}

    Returns
    -------
    log_likelihood : float64 array [shape=(n_firings,)]
    """
    return _weigh_seen(failed, np.array([[FAILED_OF[feeding]]]))[:, 0]


def _weigh_seen(failed: NDArray[np.float64], chance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log of the chance of what was seen; 0 where nothing was."""
    seen = failed[:, None]
    told = np.where(seen == 1, np.log(chance), np.log1p(-chance))
    return np.where(np.isfinite(seen), told, 0.0)


def _weigh_losses(
    lack: NDArray[np.float64],
    sigma: NDArray[np.float64],
    sound: NDArray[np.float64],
    unit: float,
) -> NDArray[np.float64]:
    """Likelihood of partial and of lost work; what a combustion is worth is corrected on the way.

    The correction is the one under which all firings are likeliest, by how well its size is known.
    """
    gains, laws = [], []
    for size in SIZES:
        worth = float(np.exp(max(size * unit, LEAST_SIZE)))
        lost = log_student(lack - worth, np.hypot(sigma, LOADS * worth), freedom=FREEDOM)
        parts = [
            log_student(lack - f * worth, np.hypot(sigma, ALIKE * worth), freedom=FREEDOM)
            for f in PARTIAL_SHARES
        ]
        partial = np.logaddexp.reduce(parts, axis=0) - log(len(PARTIAL_SHARES))
        giving = lack < 0.0  # more than usual is no loss, however unlike a sound stroke it is
        lost, partial = (np.where(giving, np.minimum(law, sound), law) for law in (lost, partial))
        mixed = np.logaddexp.reduce(
            [sound, log(SHARE_LOST) + lost, log(SHARE_PARTIAL) + partial], axis=0
        )
        gains.append(mixed - sound)
        laws.append(np.stack((partial, lost), axis=1))
    n_odd = max(np.count_nonzero(gain > 1.0) for gain in gains)
    telling = MOST_TELLING / (MOST_TELLING + n_odd)
    total = [
        telling * float(gain.sum()) - 0.5 * size**2 for size, gain in zip(SIZES, gains, strict=True)
    ]
    return laws[int(np.argmax(total))]


def _find_offsets(
    table: pd.DataFrame,
    cylinder: NDArray[np.int64],
    seen: NDArray[np.bool_],
    faulty: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Combustions that each cylinder seems to lack in every firing for an error of the wheel."""
    unit = table["torque_unit_relative"].to_numpy(float)
    share = table["torque_lack"].to_numpy(float) * unit
    offset = np.zeros(faulty.size + 1)
    for c in np.flatnonzero(faulty < FAULTY) + 1:
        own = share[(cylinder == c) & seen & np.isfinite(share)]
        if own.size:
            offset[c] = np.clip(np.median(own), -WHEEL_ERROR, WHEEL_ERROR)
    return np.asarray(np.nan_to_num(offset[cylinder] / unit))


def _find_shaken(
    lack_z: NDArray[np.float64],
    seen: NDArray[np.bool_],
    cylinder: NDArray[np.int64],
    n_cylinders: int,
) -> NDArray[np.float64]:
    """Share of firings that lack much without a fault, by what the soundest others show."""
    large = np.bincount(cylinder[seen & (lack_z > SHAKEN_Z)], minlength=n_cylinders + 1)[1:]
    total = np.bincount(cylinder[seen], minlength=n_cylinders + 1)[1:]
    share = large / np.maximum(total, 1)
    shaken = np.full(n_cylinders + 1, USUAL_SHAKEN)
    for c in range(n_cylinders):
        others = np.arange(n_cylinders) != c
        ordered = np.sort(share[others])
        n = int(total[others].sum())
        if n:
            soundest = ordered[: max(1, int(np.ceil(SOUND_CYLINDERS * ordered.size)))]
            shaken[c + 1] = (30.0 * USUAL_SHAKEN + float(soundest.mean()) * n) / (30.0 + n)
    return np.asarray(np.clip(shaken, LEAST_SHAKEN, MOST_SHAKEN))
