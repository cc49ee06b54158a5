"""Figures that say how good probabilities and rankings are, and how sure those figures are."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.chances import compute_wilson
from misfire.errors import ParameterError

BINS = 10
RESAMPLES = 1000
Statistic = Callable[[NDArray[np.float64]], float]


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure with its 95 % interval; `n` counts the vehicles it rests on. NaN: none did."""

    value: float
    low: float
    high: float
    n: int


@dataclass(frozen=True, slots=True)
class Murphy:
    """A Brier score taken apart: brier = reliability - resolution + uncertainty + within_bins."""

    brier: float
    reliability: float
    resolution: float
    uncertainty: float
    within_bins: float


def compute_brier(
    probability: NDArray[np.float64],
    happened: NDArray[np.bool_],
    weight: NDArray[np.float64] | None = None,
) -> float:
    """Mean squared difference between what was said and what was so.

    Parameters
    ----------
    probability : float64 array [shape=(n,), 0..1]
    happened : bool array [shape=(n,)]
    weight : float64 array [shape=(n,)], optional

    Returns
    -------
    brier : float
        0 is perfect; NaN without rows.

    Notes
    -----
    Source: G. W. Brier, Mon. Weather Rev. 78 (1950) 1.

    Examples
    --------
    >>> p, y = np.array([0.1, 0.9, 0.8, 0.3]), np.array([False, True, True, False])
    >>> round(compute_brier(p, y), 6)
    0.0375
    """
    return _mean((probability - happened) ** 2, weight)


def decompose_brier(
    probability: NDArray[np.float64],
    happened: NDArray[np.bool_],
    weight: NDArray[np.float64] | None = None,
    *,
    bins: int = BINS,
) -> Murphy:
    """Take the Brier score apart into reliability, resolution and uncertainty.

    Parameters
    ----------
    probability, happened, weight : as in `compute_brier`
    bins : int [> 0]
        Equal bins of probability.

    Returns
    -------
    murphy : Murphy
        `within_bins` is what binning hides; it is 0 if all probabilities of a bin are equal.

    Notes
    -----
    Source: A. H. Murphy, J. Appl. Meteorol. 12 (1973) 595; the remainder within the bins:
    D. B. Stephenson et al., Weather and Forecasting 23 (2008) 752 (both from memory).
    """
    n, said, so = _sum_bins(probability, happened, weight, bins)
    brier = compute_brier(probability, happened, weight)
    total = n.sum()
    if total <= 0:
        return Murphy(np.nan, np.nan, np.nan, np.nan, np.nan)
    used = n > 0
    said, so, share = said[used] / n[used], so[used] / n[used], n[used] / total
    base = float(share @ so)
    reliability = float(share @ (said - so) ** 2)
    resolution = float(share @ (so - base) ** 2)
    uncertainty = base * (1 - base)
    return Murphy(
        brier=brier,
        reliability=reliability,
        resolution=resolution,
        uncertainty=uncertainty,
        within_bins=brier - (reliability - resolution + uncertainty),
    )


def compute_ece(
    probability: NDArray[np.float64],
    happened: NDArray[np.bool_],
    weight: NDArray[np.float64] | None = None,
    *,
    bins: int = BINS,
) -> float:
    """Measure how far the bins' means are from what happened in them (calibration error).

    Parameters
    ----------
    probability, happened, weight : as in `compute_brier`
    bins : int [> 0]
        Equal bins, closed below.

    Returns
    -------
    ece : float
        Depends on the bins, and small samples push it up; low is necessary, not sufficient.

    Notes
    -----
    Source: Guo et al., "On calibration of modern neural networks", 2017.
    """
    n, said, so = _sum_bins(probability, happened, weight, bins)
    return float(np.abs(said - so).sum() / n.sum()) if n.sum() > 0 else np.nan


def tabulate_reliability(
    probability: NDArray[np.float64], happened: NDArray[np.bool_], *, bins: int = BINS
) -> list[dict[str, float]]:
    """List the bins that hold rows: what was said, what happened, with Wilson's interval.

    Parameters
    ----------
    probability, happened : as in `compute_brier`
    bins : int [> 0]

    Returns
    -------
    rows : list of dict
        `from`, `to`, `n`, `said`, `happened`, `low`, `high`.
    """
    n, said, so = _sum_bins(probability, happened, None, bins)
    rows = []
    for i in np.flatnonzero(n):
        low, high = compute_wilson(float(so[i]), float(n[i]))
        rows.append(
            {
                "from": i / bins,
                "to": (i + 1) / bins,
                "n": int(n[i]),
                "said": float(said[i] / n[i]),
                "happened": float(so[i] / n[i]),
                "low": low,
                "high": high,
            }
        )
    return rows


class RecallCurve:
    """Recall at a fixed share of false alarms, for any weights of the vehicles, sorted once.

    Rows of equal probability are called together or not at all.
    """

    def __init__(
        self,
        probability: NDArray[np.float64],
        lost: NDArray[np.bool_],
        group: NDArray[np.int64],
    ) -> None:
        """Count the rows of each probability and vehicle, the highest probability first."""
        order = np.lexsort((group, -probability))
        p, g = probability[order], group[order]
        new = np.ones(p.size, bool)
        new[1:] = (np.diff(p) != 0) | (np.diff(g) != 0)
        run = np.cumsum(new) - 1
        self._group = g[new]
        self._lost = np.bincount(run, lost[order])
        self._sound = np.bincount(run, ~lost[order])
        level = p[new]
        self._ends = np.flatnonzero(np.append(np.diff(level) != 0, True)[: level.size])

    def find(self, weight: NDArray[np.float64], *, false_share: float) -> float:
        """Recall at the lowest level whose share of false alarms is within the given one.

        Parameters
        ----------
        weight : float64 array [shape=(n_groups,)]
        false_share : float [0..1]

        Returns
        -------
        recall : float
            NaN if nothing was lost.
        """
        of = weight[self._group]
        lost, sound = (
            np.cumsum(of * self._lost)[self._ends],
            np.cumsum(of * self._sound)[self._ends],
        )
        if lost.size == 0 or lost[-1] <= 0:
            return np.nan
        n_allowed = int(np.searchsorted(sound, false_share * sound[-1], side="right"))
        return float(lost[n_allowed - 1] / lost[-1]) if n_allowed else 0.0


def resample_groups(n_groups: int, *, seed: int, resamples: int = RESAMPLES) -> NDArray[np.float64]:
    """Draw whole vehicles with replacement: how often each stands in each resample.

    Parameters
    ----------
    n_groups : int
    seed : int
    resamples : int

    Returns
    -------
    counts : float64 array [shape=(resamples, n_groups)]
        Each row sums to `n_groups`.

    Notes
    -----
    Source: B. Efron, Ann. Stat. 7 (1979) 1; vehicles are the independent units (docs/sources.md).
    """
    if n_groups < 1:
        raise ParameterError("a resample needs at least one vehicle")
    rng = np.random.default_rng(seed)
    even = np.full(n_groups, 1 / n_groups)
    return np.asarray(rng.multinomial(n_groups, even, size=resamples).astype(float))


def bootstrap(
    statistic: Statistic,
    counts: NDArray[np.float64],
    *,
    n: int | None = None,
    centred: bool = False,
    least: float = -np.inf,
) -> Figure:
    """Give a statistic with its 95 % percentile interval over resampled vehicles.

    Parameters
    ----------
    statistic : callable (weight of each vehicle) -> float
    counts : float64 array [shape=(resamples, n_groups)]
        From `resample_groups`.
    n : int, optional
        Vehicles that the figure rests on; all of them if left out.
    centred : bool
        Move the interval by what resampling alone adds: a sum of squared or absolute differences
        (calibration error, reliability, resolution) grows with every repeated vehicle.
    least : float
        No such statistic is smaller.

    Returns
    -------
    figure : Figure

    Notes
    -----
    Source of the need for centring: C. A. T. Ferro and T. E. Fricker, "A bias-corrected
    decomposition of the Brier score", Q. J. R. Meteorol. Soc. 138 (2012) 1954 (from memory).
    """
    value = statistic(np.ones(counts.shape[1]))
    drawn = np.array([statistic(row) for row in counts])
    drawn = drawn[np.isfinite(drawn)]
    low, high = np.quantile(drawn, (0.025, 0.975)) if drawn.size else (np.nan, np.nan)
    if centred and drawn.size:
        added = float(drawn.mean()) - value
        low, high = max(least, low - added), max(least, high - added)
    return Figure(value, float(low), float(high), counts.shape[1] if n is None else n)


def tally_confusion(
    truth: Sequence[str], said: Sequence[str], names: Sequence[str]
) -> NDArray[np.int64]:
    """Count how often each truth (rows) was called what (columns).

    Examples
    --------
    >>> tally_confusion(["a", "a", "b"], ["a", "b", "b"], ["a", "b"]).tolist()
    [[1, 1], [0, 1]]
    """
    place = {name: i for i, name in enumerate(names)}
    table = np.zeros((len(names), len(names)), np.int64)
    for is_, called in zip(truth, said, strict=True):
        table[place[is_], place[called]] += 1
    return table


def _sum_bins(
    probability: NDArray[np.float64],
    happened: NDArray[np.bool_],
    weight: NDArray[np.float64] | None,
    bins: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Weight, probability and outcomes summed in equal bins, closed below."""
    weight = np.ones(probability.size) if weight is None else weight
    place = np.clip(np.floor(probability * bins).astype(np.int64), 0, bins - 1)

    def add(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.bincount(place, values, bins).astype(float)

    return add(weight), add(weight * probability), add(weight * happened)


def _mean(values: NDArray[np.float64], weight: NDArray[np.float64] | None) -> float:
    """Weighted mean, NaN without weight."""
    if weight is None:
        return float(values.mean()) if values.size else np.nan
    total = float(weight.sum())
    return float(values @ weight) / total if total > 0 else np.nan
