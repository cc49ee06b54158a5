"""How often and when misfires came: shares with their intervals, bouts, speed bands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from misfire.errors import ParameterError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Bout:
    """A run of misfires that came close together: [start_s, stop_s], both ends are misfires."""

    start_s: float
    stop_s: float
    count: int


def find_bouts(
    time_s: Sequence[float] | NDArray[np.float64], *, pause_s: float
) -> tuple[Bout, ...]:
    """Put misfires that follow one another within `pause_s` into one bout.

    Parameters
    ----------
    time_s : float [shape=(n,), ascending, unit=s]
    pause_s : float [unit=s, > 0]
        A longer pause between two misfires starts a new bout.

    Returns
    -------
    bouts : tuple of Bout, in time order

    Raises
    ------
    ParameterError
        If `pause_s` is not positive.

    Examples
    --------
    >>> [b.count for b in find_bouts([1.0, 1.2, 9.0], pause_s=2.0)]
    [2, 1]
    """
    if not pause_s > 0:
        raise ParameterError(f"pause_s must be positive, got {pause_s}")
    bouts: list[Bout] = []
    for value in time_s:
        at = float(value)
        if bouts and at - bouts[-1].stop_s <= pause_s:
            last = bouts[-1]
            bouts[-1] = Bout(last.start_s, at, last.count + 1)
        else:
            bouts.append(Bout(at, at, 1))
    return tuple(bouts)


@dataclass(frozen=True, slots=True)
class SpeedBand:
    """Firings of one cylinder judged, and lost, in a band of engine speed [low, high).

    `bouts` says in how many separate bouts they were lost; None where that was not counted.
    """

    low_rpm: int
    high_rpm: int
    judged: int
    lost: int
    bouts: int | None = None


def count_speed_bands(
    rpm: NDArray[np.float64],
    lost: NDArray[np.bool_],
    *,
    max_bands: int = 10,
    time_s: NDArray[np.float64] | None = None,
    pause_s: float = 1.0,
) -> tuple[SpeedBand, ...]:
    """Count judged and lost firings in bands of engine speed of one round width.

    Parameters
    ----------
    rpm : float64 array [shape=(n,), unit=rev/min]
        Speed at each judged firing; those without a speed are left out.
    lost : bool array [shape=(n,)]
    max_bands : int [> 0]
    time_s : float64 array [shape=(n,), ascending, unit=s], optional
        When each firing was; without it the bouts are not counted.
    pause_s : float [unit=s, > 0]
        As in `find_bouts`.

    Returns
    -------
    bands : tuple of SpeedBand, ascending; bands without a firing are left out
    """
    import numpy as np

    known = np.isfinite(rpm)
    speed, was_lost = rpm[known], lost[known]
    if not speed.size:
        return ()
    low, high = float(speed.min()), float(speed.max())
    width = next(
        (w for w in (100, 200, 250, 500, 1000, 2000) if high // w - low // w < max_bands), 5000
    )
    band = np.floor(speed / width).astype(int)
    found = []
    for index in np.unique(band):
        inside = band == index
        found.append(
            SpeedBand(
                int(index) * width,
                (int(index) + 1) * width,
                int(inside.sum()),
                int(was_lost[inside].sum()),
                None
                if time_s is None
                else len(find_bouts(time_s[known][inside & was_lost], pause_s=pause_s)),
            )
        )
    return tuple(found)
