"""Offset and drift between two instruments, from events that both saw."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.running import nan_quantile
from misfire.errors import AlignError

LARGEST_DRIFT = 500e-6  # two cheap quartz clocks differ by less (common practice: 100 ppm each)
WINDOW_EVENTS = 60
LEAST_MATCHES = 8
LEAST_SHARE = 0.4  # of a window's events; two instruments seldom share fewer coils than that
TIGHT_S = (7e-6, 20e-6, 60e-6, 200e-6)  # scatter of one event on two instruments, rising
APART_S = 3e-3  # alignments closer than this are the same one
CHUNK = 4096  # alignments tried at once


@dataclass(frozen=True, slots=True)
class ClockFit:
    """common = (1 + drift) x own + offset_s.

    `uncertainty_s` is one standard error at mid time, `end_uncertainty_s` at the first or last
    event, where the drift's own error adds to it. `bend_s` is how far the middle of a tenth of the
    events lies from the line at most: two clocks whose drift changes, as when one warms up.
    """

    offset_s: float
    drift: float
    uncertainty_s: float
    n_matched: int
    share_matched: float
    end_uncertainty_s: float = 0.0
    bend_s: float = 0.0


def estimate_clock(reference_s: NDArray[np.float64], own_s: NDArray[np.float64]) -> ClockFit:
    """Fit one instrument's clock to another's from the same physical events.

    Parameters
    ----------
    reference_s : float64 array [shape=(n,), unit=s, ascending]
        Events on the common clock, e.g. inductive kicks of one coil.
    own_s : float64 array [shape=(m,), unit=s, ascending]
        Events on the other clock, e.g. current cut-offs of all coils. Either may hold events that
        the other does not.

    Returns
    -------
    fit : ClockFit

    Raises
    ------
    AlignError
        If no shift brings clearly more events together than any other.

    Notes
    -----
    A steady engine looks alike one firing later, to some tenths of a millisecond. So every pairing
    of one event with another is tried, with the drift that fits it best: the true one leaves
    microseconds. A line is then fitted outward from the best window, so drift over hours is
    followed. Source: event matching by cross-correlation of point processes; least squares with
    outliers cut at three robust deviations.
    """
    if min(reference_s.size, own_s.size) < LEAST_MATCHES:
        raise AlignError(
            f"too few common events to join two clocks: {reference_s.size} and {own_s.size}, "
            f"need {LEAST_MATCHES}; give start_s in the job card"
        )
    few, many, flip = (
        (reference_s, own_s, False)
        if reference_s.size <= own_s.size
        else (own_s, reference_s, True)
    )
    found = _search(few, many)
    if found is None:
        raise AlignError(
            "no shift of the second instrument's clock makes its events fall on those of the "
            "first: the files do not overlap in time or show nothing in common; give start_s"
        )
    slope, offset, few_i, many_i = _follow(few, many, *found)
    x, y = few[few_i], many[many_i]
    # many = slope x few + offset; turn it so that the second clock maps onto the first
    if flip:
        drift, offset_s = slope - 1.0, offset
    else:
        drift, offset_s = 1.0 / slope - 1.0, -offset / slope
    residual = y - (slope * x + offset)
    scatter = float(np.sqrt(np.sum(residual**2) / max(residual.size - 2, 1)))
    error = scatter / float(np.sqrt(residual.size))
    away = x - x.mean()
    spread = max(float(np.sum(away**2)), 1e-12)
    end = float(np.hypot(error, scatter / np.sqrt(spread) * np.abs(away).max()))
    share = float(x.size / few.size)
    return ClockFit(offset_s, drift, error, int(x.size), share, end, _find_bend(residual))


def _find_bend(residual: NDArray[np.float64]) -> float:
    """Largest distance of a tenth's median from the line, beyond what its scatter makes."""
    if residual.size < 10 * LEAST_MATCHES:
        return 0.0
    worst = 0.0
    for part in np.array_split(residual, 10):
        middle = float(np.median(part))
        spread = 1.4826 * float(np.median(np.abs(part - middle)))
        # Standard error of a median: 1.2533 of that of a mean (normal errors).
        worst = max(worst, abs(middle) - 3 * 1.2533 * spread / float(np.sqrt(part.size)))
    return worst


def _window_starts(n: int) -> list[int]:
    """Pick a few windows: where events are missing in one, another serves."""
    if n <= WINDOW_EVENTS:
        return [0]
    return sorted({int(v) for v in np.linspace(0, n - WINDOW_EVENTS, 5)})


def _search(few: NDArray[np.float64], many: NDArray[np.float64]) -> tuple[float, float, int] | None:
    """Slope, offset and window of an alignment that stands out; None if none does."""
    for tight_s in TIGHT_S:
        for start in _window_starts(few.size):
            part = few[start : start + WINDOW_EVENTS]
            for share in (0.5, 0.35, 0.65):  # that very event may be missing in the other train
                anchor = int(share * part.size)
                n, second, slope, offset = _best_alignment(part, anchor, many, tight_s)
                enough = max(LEAST_MATCHES, LEAST_SHARE * part.size)
                if n >= enough and n - second >= max(3.0, 0.25 * n):
                    return slope, offset, start
    return None


def _best_alignment(
    part: NDArray[np.float64], anchor: int, many: NDArray[np.float64], tight_s: float
) -> tuple[int, int, float, float]:
    """Count the matches of the best pairing of one event and of the next best; the best line."""
    x = part - part[anchor]
    far = np.abs(x) >= 0.5 * np.abs(x).max()
    reach = LARGEST_DRIFT * np.abs(x) + TIGHT_S[-1]
    counts, drifts = [], []
    for at in range(0, many.size, CHUNK):
        wanted = many[at : at + CHUNK, None] + x
        right = np.clip(np.searchsorted(many, wanted), 1, many.size - 1)
        late, early = many[right] - wanted, many[right - 1] - wanted
        off = np.where(np.abs(late) < np.abs(early), late, early)
        off[np.abs(off) > reach] = np.nan
        drift = np.nan_to_num(nan_quantile(off[:, far] / x[far], 0.5))
        with np.errstate(invalid="ignore"):
            counts.append(np.sum(np.abs(off - drift[:, None] * x) <= tight_s, axis=1))
        drifts.append(drift)
    n = np.concatenate(counts)
    best = int(np.argmax(n))
    slope = 1.0 + float(np.concatenate(drifts)[best])
    others = n[np.abs(many - many[best]) > APART_S]
    second = int(others.max()) if others.size else 0
    return int(n[best]), second, slope, float(many[best] - slope * part[anchor])


def _follow(
    few: NDArray[np.float64], many: NDArray[np.float64], slope: float, offset: float, start: int
) -> tuple[float, float, NDArray[np.int64], NDArray[np.int64]]:
    """Grow a line outward from the window that matched best."""
    lo, hi = start, min(few.size, start + WINDOW_EVENTS)
    tolerance = TIGHT_S[-1]
    while True:
        few_i, many_i = _nearest(few[lo:hi], many, slope, offset, tolerance)
        few_i = few_i + lo
        for _ in range(4):
            x, y = few[few_i], many[many_i]
            if x.size < LEAST_MATCHES:
                break
            centre = x.mean()
            dx = x - centre
            gain = float((dx * (y - y.mean())).sum() / max((dx * dx).sum(), 1e-12))
            slope = float(np.clip(gain, 1 - LARGEST_DRIFT, 1 + LARGEST_DRIFT))
            offset = float(y.mean() - slope * centre)
            residual = y - (slope * x + offset)
            limit = max(3 * 1.4826 * float(np.median(np.abs(residual))), 10e-6)
            keep = np.abs(residual) <= limit
            if keep.all():
                break
            few_i, many_i = few_i[keep], many_i[keep]
        if lo == 0 and hi == few.size:
            return slope, offset, few_i, many_i
        width = hi - lo
        lo, hi = max(0, lo - width // 2), min(few.size, hi + width // 2)
        tolerance = 0.4e-3


def _nearest(
    part: NDArray[np.float64],
    many: NDArray[np.float64],
    slope: float,
    offset: float,
    tolerance: float,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of events within the tolerance after mapping."""
    mapped = slope * part + offset
    at = np.clip(np.searchsorted(many, mapped), 1, many.size - 1)
    near = np.where(np.abs(many[at] - mapped) < np.abs(many[at - 1] - mapped), at, at - 1)
    keep = np.abs(many[near] - mapped) <= tolerance
    return np.flatnonzero(keep), near[keep]
