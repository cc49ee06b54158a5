"""How far a vehicle is from all that a model was trained on, by measured descriptors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

OWN_SHARE = 0.99  # of the training's own vehicles that are near another one
LEAST_SPREAD = 0.1  # of a descriptor: one that never differs must not make all others strange
AT_ONCE = 256  # rows compared at once


@dataclass(frozen=True, slots=True)
class Familiar:
    """The vehicles of a training, in units of their own spreads.

    `rows` [shape=(n, n_descriptors)]: (value - centre) / spread, 0 where it was not measurable;
    `centre`, `spread` [shape=(n_descriptors,)]; `limit`: distance to the nearest other vehicle
    within which `OWN_SHARE` of them lie. `names` of the descriptors.
    """

    names: tuple[str, ...]
    rows: NDArray[np.float64]
    centre: NDArray[np.float64]
    spread: NDArray[np.float64]
    limit: float

    def standardise(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give descriptors in units of the training's spreads.

        Parameters
        ----------
        values : float64 array [shape=(..., n_descriptors)]
            NaN where not measurable.

        Returns
        -------
        rows : float64 array [same shape]
        """
        return np.asarray(np.nan_to_num((values - self.centre) / self.spread))

    def find_distance(self, values: NDArray[np.float64]) -> tuple[float, str]:
        """Find how far a vehicle is from the nearest one of the training.

        Parameters
        ----------
        values : float64 array [shape=(n_descriptors,)]

        Returns
        -------
        distance : float
            Root mean square difference, in spreads.
        name : str
            The descriptor that differs most.
        """
        row = self.standardise(values)
        apart = self.rows - row
        nearest = int(np.argmin((apart**2).sum(axis=1)))
        own = apart[nearest]
        return float(np.sqrt(np.mean(own**2))), self.names[int(np.argmax(np.abs(own)))]


def learn_familiar(
    names: tuple[str, ...], values: NDArray[np.float64], groups: list[str]
) -> Familiar:
    """Learn what is familiar from the vehicles of a training.

    Parameters
    ----------
    names : tuple of str
    values : float64 array [shape=(n, len(names))]
        One row for each recording; NaN where not measurable.
    groups : list of str
        Vehicle of each row: two recordings of one vehicle are no measure of how far others are.

    Returns
    -------
    familiar : Familiar

    Notes
    -----
    Nearest neighbours need no shape of the whole: engines and channel sets come in clusters.
    """
    known = np.isfinite(values)
    n = np.maximum(known.sum(axis=0), 1)
    centre = np.where(known, values, 0.0).sum(axis=0) / n
    squares = np.where(known, (values - centre) ** 2, 0.0).sum(axis=0) / n
    spread = np.maximum(np.sqrt(squares), LEAST_SPREAD)
    rows = np.nan_to_num((values - centre) / spread)
    vehicle = np.unique(np.array(groups), return_inverse=True)[1]
    nearest = np.full(len(rows), np.inf)
    for start in range(0, len(rows), AT_ONCE):
        part = slice(start, start + AT_ONCE)
        apart = ((rows[part, None, :] - rows[None, :, :]) ** 2).mean(axis=2)
        apart[vehicle[part, None] == vehicle[None, :]] = np.inf
        nearest[part] = np.sqrt(apart.min(axis=1))
    finite = nearest[np.isfinite(nearest)]
    limit = float(np.quantile(finite, OWN_SHARE)) if finite.size else 0.0
    return Familiar(names, rows, centre, spread, limit)


def pack_familiar(familiar: Familiar) -> dict[str, NDArray[np.float64]]:
    """Lay it out as arrays for a bundle; the names stand in the manifest."""
    return {
        "familiar_rows": familiar.rows,
        "familiar_scale": np.stack((familiar.centre, familiar.spread)),
        "familiar_limit": np.array([familiar.limit]),
    }


def unpack_familiar(arrays: dict[str, NDArray[np.float64]], names: tuple[str, ...]) -> Familiar:
    """Read what `pack_familiar` laid out.

    Raises
    ------
    ValueError, KeyError
        If the arrays do not fit each other.
    """
    rows, scale, limit = (arrays[f"familiar_{n}"] for n in ("rows", "scale", "limit"))
    fits = rows.ndim == 2 and rows.shape[0] >= 1 and scale.shape == (2, rows.shape[1])
    if not fits or limit.shape != (1,) or len(names) != rows.shape[1]:
        raise ValueError("what is familiar")
    if not all(np.all(np.isfinite(a)) for a in (rows, scale, limit)) or np.any(scale[1] <= 0):
        raise ValueError("what is familiar")
    return Familiar(names, rows, scale[0], scale[1], float(limit[0]))
