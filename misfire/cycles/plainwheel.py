"""A wheel without a gap, as a starter ring is: its teeth are counted between the sparks.

A wheel without a single reference (plain, or gaps that repeat in a turn) keeps its angle while in
sync; where the turn begins is one more open place of TDC. A wheel without any gap that the card
leaves out is worked out by counting its teeth between the strokes of a coil.
"""

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.restrikes import list_first_strikes
from misfire.limits import MAX_POSITIONS
from misfire.records import CrankWheel, Engine, StrokeTrain

LEAST_TURNS = 20  # of the crank between the sparks that count
ALIKE = 0.03  # relative: counts from spark to spark differ by the change of the advance
MOST_TIMES = 4  # intervals from one stroke to the next that was seen
MOST_SHIFT_DEG = 40.0  # by which the advance may differ from the first spark to the last
SURE = 0.3  # of a tooth: error of the count in one turn
LEAST_POSITIONS = 4
LONGER, MOST_GAPS = 1.5, 0.2  # times the intervals beside it; in a turn


def find_plain_wheel(
    tooth_s: NDArray[np.float64], trains: list[StrokeTrain], *, engine: Engine
) -> CrankWheel | None:
    """Work out a wheel without a gap.

    Parameters
    ----------
    tooth_s : float64 array [shape=(n,), unit=s, ascending]
    trains : list of StrokeTrain
        Coil channels on the same clock; those tell that show one coil's strokes, or a
        distributor's.
    engine : Engine

    Returns
    -------
    wheel : CrankWheel or None
        None where no channel tells how far the crank turns from one stroke to the next, where the
        channels contradict one another, the count is no whole number, or a tooth is missing in
        many a turn.
    """
    if tooth_s.size < LEAST_TURNS * LEAST_POSITIONS:
        return None
    counted = [_count_teeth(tooth_s, train, engine) for train in trains]
    known = [c for c in counted if c is not None]
    if not known:
        return None
    whole = {round(teeth) for teeth, _ in known}
    sure = all(abs(teeth - round(teeth)) + error < SURE for teeth, error in known)
    if len(whole) > 1 or not sure:
        return None
    positions = whole.pop()
    if not LEAST_POSITIONS <= positions <= MAX_POSITIONS:
        return None
    if _count_gaps(tooth_s) * positions > MOST_GAPS * tooth_s.size:
        return None  # a gap that could not be made out, or a damaged tooth
    return CrankWheel(positions=positions, gaps=())


def _count_gaps(tooth_s: NDArray[np.float64]) -> int:
    """Count intervals that are much longer than both next to them."""
    apart = np.diff(tooth_s)
    longer = apart[1:-1] > LONGER * np.maximum(apart[:-2], apart[2:])
    return int(np.count_nonzero(longer))


def _count_teeth(
    tooth_s: NDArray[np.float64], train: StrokeTrain, engine: Engine
) -> tuple[float, float] | None:
    """Count the teeth of one turn between the strokes of a channel; and the error of the count."""
    apart_deg = _find_interval_deg(train, engine)
    stop_s = list_first_strikes(train.strokes["stop_s"])
    stop_s = stop_s[(stop_s > tooth_s[0]) & (stop_s < tooth_s[-1])]
    if apart_deg is None or stop_s.size < 3:
        return None
    steps = np.diff(np.interp(stop_s, tooth_s, np.arange(tooth_s.size)))
    usual = float(np.median(steps))
    times = np.maximum(np.rint(steps / usual), 1.0)  # a stroke in between may be missing
    even = (np.abs(steps / usual - times) < ALIKE) & (times <= MOST_TIMES)
    turns = float(times[even].sum()) * apart_deg / 360.0
    if turns < LEAST_TURNS or even.mean() < 0.5:
        return None
    teeth = float(steps[even].sum()) / turns
    # Between the first and the last of a run only the change of the advance is left.
    runs = 1 + int(np.count_nonzero(np.diff(np.flatnonzero(even)) > 1))
    error = MOST_SHIFT_DEG / 360.0 * teeth * min(runs, float(np.sqrt(even.sum()))) / turns
    return teeth, error


def _find_interval_deg(train: StrokeTrain, engine: Engine) -> float | None:
    """Give the crank angle from one stroke of a channel to the next; None if it may be another."""
    own = len(train.channel.cylinders)
    if engine.ignition == "distributor":
        return 720.0 / engine.cylinders
    if engine.ignition == "coil_on_plug":
        return 720.0 if own == 1 else None
    return 360.0 if 1 <= own <= 2 else None
