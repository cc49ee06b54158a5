"""What is known of each tooth, counted out when asked: a long recording has millions of them."""

from abc import ABC, abstractmethod
from typing import Any, Literal

import numpy as np
from numpy.lib.mixins import NDArrayOperatorsMixin
from numpy.typing import DTypeLike, NDArray


class Counted(NDArrayOperatorsMixin, ABC):
    """Numbers of teeth that stand nowhere; to index and to calculate with as with an array."""

    size: int

    @abstractmethod
    def count(self, at: NDArray[np.int64]) -> NDArray[Any]:
        """Work out the numbers of some teeth.

        Parameters
        ----------
        at : int64 array [within 0..size - 1]

        Returns
        -------
        numbers : array [as many]
        """

    def __len__(self) -> int:
        """Give the number of teeth."""
        return self.size

    def __getitem__(self, at: Any) -> Any:
        """Give numbers as an array would: of one tooth, of a slice, of some or of marked ones."""
        if isinstance(at, slice):
            return self.count(np.arange(*at.indices(self.size)))
        at = np.asarray(at)
        if at.dtype == bool:
            return self.count(np.flatnonzero(at))
        if at.size:
            least = int(at.min())
            if not -self.size <= least <= int(at.max()) < self.size:
                raise IndexError(f"of {self.size} teeth there is no tooth {least} or {at.max()}")
            if least < 0:
                at = np.where(at < 0, at + self.size, at)
        return self.count(at.astype(np.int64, copy=False))[()]

    def __array__(self, dtype: DTypeLike | None = None, copy: bool | None = None) -> NDArray[Any]:
        """Give the numbers of all teeth."""
        return np.asarray(self.count(np.arange(self.size)), dtype=dtype)

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: Any, **named: Any) -> Any:
        """Calculate with the numbers of all teeth."""
        counted = [np.asarray(x) if isinstance(x, Counted) else x for x in inputs]
        return getattr(ufunc, method)(*counted, **named)


class TurnedAngles(Counted):
    """Angles of the teeth of a wheel, in runs of teeth that follow one another on it.

    Examples
    --------
    >>> offsets = np.array([0, 1, 2])  # of four positions one is missing
    >>> angles = TurnedAngles(np.array([0, 5]), np.array([0, 7]), 7, offsets, 4, 90.0)
    >>> angles[:].tolist()
    [0.0, 90.0, 180.0, 360.0, 450.0, 810.0, 900.0]
    >>> angles.searchsorted(np.array([-1.0, 450.0, 460.0])).tolist()
    [0, 4, 5]
    """

    def __init__(
        self,
        first: NDArray[np.int64],
        turned: NDArray[np.int64],
        size: int,
        offsets: NDArray[np.int64],
        positions: int,
        pitch_deg: float,
    ) -> None:
        """Take the runs.

        Parameters
        ----------
        first : int64 array [shape=(n_runs,), ascending from 0]
            First tooth of each run.
        turned : int64 array [shape=(n_runs,), ascending]
            Teeth of the wheel that have passed before it since angle 0.
        size : int
            Number of teeth in all runs.
        offsets : int64 array [shape=(n_teeth,), unit=positions]
            Of the wheel's teeth, from 0.
        positions : int
            Of the wheel.
        pitch_deg : float [unit=deg per position]
        """
        self.size = size
        self._first, self._turned = first, turned
        self._ahead = turned - first
        self._length = np.diff(np.append(first, size))
        self._offsets, self._positions, self._pitch_deg = offsets, positions, pitch_deg
        # of a place on the wheel: the teeth up to it
        self._passed = np.searchsorted(offsets, np.arange(positions), side="right")

    def count(self, at: NDArray[np.int64]) -> NDArray[np.float64]:
        """Work out the angles of some teeth."""
        if self._first.size == 1:
            return self._find_angle(at + self._ahead[0])
        return self._find_angle(at + self._ahead[self._first.searchsorted(at, side="right") - 1])

    def searchsorted(self, v: Any, side: Literal["left", "right"] = "left") -> NDArray[np.int64]:
        """Give the teeth before which angles belong, as of an ascending array; NaN goes last."""
        if not self.size:
            return np.zeros(np.shape(v), np.int64)
        low, high = self[np.array([0, self.size - 1])]
        # what lies outside is drawn near: infinite angles have no number
        angle = np.fmin(np.fmax(v, low - 360.0), high + 360.0)
        angle = np.where(np.isnan(v), high + 360.0, angle)
        place = np.floor(angle / self._pitch_deg).astype(np.int64)
        turn = place // self._positions
        turned = turn * self._offsets.size + self._passed[place - turn * self._positions]
        # the division may be off by a rounding: what counts is the angle that the tooth is given
        before = np.less if side == "left" else np.less_equal
        turned += before(self._find_angle(turned), angle)
        turned -= ~before(self._find_angle(turned - 1), angle)
        if self._first.size == 1:
            return np.asarray(np.clip(turned - self._ahead[0], 0, self.size))
        run = np.maximum(self._turned.searchsorted(turned, side="right") - 1, 0)
        within = np.clip(turned - self._turned[run], 0, self._length[run])
        return np.asarray(self._first[run] + within)

    def _find_angle(self, turned: NDArray[np.int64]) -> NDArray[np.float64]:
        """Give the angle after so many teeth of the wheel."""
        n_teeth = self._offsets.size
        turn = turned // n_teeth
        position = self._offsets[turned - turn * n_teeth]
        position += turn * self._positions
        return np.asarray(position * self._pitch_deg)


class StretchNumbers(Counted):
    """Numbers of the stretches that teeth are in.

    Examples
    --------
    >>> StretchNumbers(np.array([0, 3]), np.array([0, 1], np.int32), 5)[:].tolist()
    [0, 0, 0, 1, 1]
    """

    def __init__(self, first: NDArray[np.int64], number: NDArray[np.int32], size: int) -> None:
        """Take the stretches: `first` tooth of each, ascending from 0, and its `number`."""
        self.size = size
        self._first, self._number = first, number

    def count(self, at: NDArray[np.int64]) -> NDArray[np.int32]:
        """Work out the stretches of some teeth."""
        return np.asarray(self._number[self._first.searchsorted(at, side="right") - 1])
