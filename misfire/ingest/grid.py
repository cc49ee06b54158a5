"""The grid on which an instrument's numbers lie: its ADC step, found from the numbers."""

import math

import numpy as np
from numpy.typing import NDArray

MAX_COUNT = 32766  # one count on each side is kept for over-range samples
_FIRST_LOOK = 8192
_TABLE = 2 * MAX_COUNT + 1
_MIN_STEP = 1e-30  # nothing an instrument records is finer
_SPAN_COUNTS = 2 * MAX_COUNT


class GridSearch:
    """Finds the coarsest even grid that holds all numbers seen, if int16 counts can span it.

    Numbers that were printed are known to half a unit of their last digit only; `is_text` allows
    for that. Binary floats are held to a few units in the last place (`eps`).
    """

    def __init__(self, *, eps: float, is_text: bool) -> None:
        """Start with no numbers."""
        self.eps = eps
        self.is_text = is_text
        self.low, self.high = math.inf, -math.inf
        self.step: float | None = None
        self.base = 0.0
        self.failed = False
        self._decimals, self._digits = 0, 1
        self._seen = np.zeros(_TABLE, bool)  # grid places taken so far
        self._loose = np.empty(0)  # numbers seen while no grid was known

    def add(self, values: NDArray[np.float64]) -> None:
        """Take in a block of finite numbers."""
        if values.size == 0:
            return
        tiny = (np.abs(values) < _MIN_STEP) & (values != 0)
        if tiny.any():
            values = np.where(tiny, 0.0, values)
        self.low = min(self.low, float(values.min()))
        self.high = max(self.high, float(values.max()))
        if self.step is None and not self.failed and values.size > 4 * _FIRST_LOOK:
            self.add(values[:: values.size // _FIRST_LOOK])  # most often this finds the grid
        if self.failed or self._place(values):
            return
        known = np.unique(values)
        known = np.union1d(known, self._loose)
        if self.step is not None:
            places = np.flatnonzero(self._seen) - MAX_COUNT
            known = np.union1d(known, self.base + self.step * places)
        self.step = None
        self._loose = known
        if known.size > _TABLE:
            self._fail()
            return
        if self._fit(known):
            self._seen[:] = False
            if self._place(known):
                self._loose = np.empty(0)
            else:
                self.step = None

    def _fail(self) -> None:
        """Give up: no 16-bit grid can hold these numbers."""
        self.failed, self.step, self._loose = True, None, np.empty(0)

    def _place(self, values: NDArray[np.float64]) -> bool:
        """Mark the grid places of the numbers; False when one is off the grid or out of range."""
        if self.step is None:
            return False
        counts = np.rint((values - self.base) / self.step)
        if max(-float(counts.min()), float(counts.max())) > MAX_COUNT:
            return False
        misfit = np.abs(values - (self.base + counts * self.step))
        if misfit.max() > self._least_tolerance() and np.any(misfit > self._tolerance(values)):
            return False
        self._seen[counts.astype(np.int64) + MAX_COUNT] = True
        return True

    def _least_tolerance(self) -> float:
        """Give a tolerance that every number has at least."""
        tolerance = 4 * self.eps * max(abs(self.low), abs(self.high))
        return tolerance + (0.5 * 10.0**-self._decimals if self.is_text else 0.0)

    def _tolerance(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give how far each number may lie from its true place."""
        size = np.abs(values)
        tolerance = 4 * self.eps * np.maximum(size, max(abs(self.low), abs(self.high)))
        if self.is_text:
            exponent = np.floor(np.log10(np.maximum(size, 1e-300)))
            last_digit = np.power(10.0, np.maximum(-self._decimals, exponent + 1 - self._digits))
            tolerance += 0.501 * last_digit
        return tolerance

    def _fit(self, known: NDArray[np.float64]) -> bool:
        """Set step and base from all distinct numbers [ascending]."""
        if known.size == 1:
            self.step, self.base = (abs(float(known[0])) or 1.0), 0.0
            return True
        if self.is_text:
            self._decimals, self._digits = count_digits(known)
            unit = 10.0**-self._decimals
            if (self.high - self.low) / unit <= _SPAN_COUNTS:  # the printed numbers as they are
                self.step, self.base = unit, self._place_base(unit, 0.0)
                return True
        tolerance = self._tolerance(known)
        found = _find_lattice(known, tolerance)
        if found is None:
            return False
        step, origin = found
        if (self.high - self.low) / step > _SPAN_COUNTS + 0.5:
            self._fail()  # more numbers can only make the grid finer
            return False
        polished = _polish(known, tolerance, step, 0.0) or _polish(known, tolerance, step, origin)
        if polished is None:
            return False
        step, origin = polished
        self.step, self.base = step, self._place_base(step, origin)
        return True

    def _place_base(self, step: float, origin: float) -> float:
        """Choose which grid place becomes count 0: 0 itself where the counts allow it."""
        if origin == 0.0 and max(abs(self.low), abs(self.high)) / step <= MAX_COUNT + 0.25:
            return 0.0
        middle = (self.low + self.high) / 2
        return origin + step * math.floor((middle - origin) / step + 0.5)


def count_digits(values: NDArray[np.float64]) -> tuple[int, int]:
    """Find how numbers were printed: most decimals, most significant digits.

    Examples
    --------
    >>> count_digits(np.array([1.44, 0.6965, -20.0]))
    (4, 4)
    """
    sample = values[:: max(1, values.size // 4096)]
    decimals, digits = 0, 1
    for value in sample.tolist():
        mantissa, _, exponent = f"{value:.14e}".partition("e")
        figures = mantissa.lstrip("-").replace(".", "").rstrip("0")
        digits = max(digits, len(figures))
        decimals = max(decimals, len(figures) - 1 - int(exponent))
    return decimals, digits


def _find_lattice(
    known: NDArray[np.float64], tolerance: NDArray[np.float64]
) -> tuple[float, float] | None:
    """Find step and one place of the coarsest grid through all numbers, or None.

    Euclid's algorithm on the spacings, with each step first refined over ever wider spans, since
    the spacing of two neighbours alone is too uncertain to count far with.
    """
    spacings = np.diff(known)
    slacks = tolerance[:-1] + tolerance[1:]
    sure = np.flatnonzero(spacings > 6 * slacks)
    if sure.size == 0 or float(spacings.min()) < _MIN_STEP:
        return None
    anchor = int(sure[np.argmin(spacings[sure])])
    step = float(spacings[anchor])
    doubt = float(slacks[anchor])  # how far the step itself may be off
    away = known - known[anchor]
    slack = tolerance + tolerance[anchor]
    span = 2 * step
    while step > max(4 * doubt, _MIN_STEP):
        near = np.abs(away) <= span
        steps, error = away[near], slack[near]
        counts = np.rint(steps / step)
        allowed = error + np.abs(counts) * doubt
        left = np.abs(steps - counts * step)
        off = left > allowed
        if off.any():  # the remainder shows a finer step
            places = np.flatnonzero(off)
            finest = places[np.argmin(left[places])]
            step, doubt = float(left[finest]), float(allowed[finest])
            span = 2 * step
            continue
        moved = counts != 0
        if moved.any():
            weight = (counts[moved] / error[moved]) ** 2
            step = float((weight * steps[moved] / counts[moved]).sum() / weight.sum())
            doubt = min(doubt, 2 * float((error[moved] / np.abs(counts[moved])).min()))
        if near.all():
            return step, float(known[anchor])
        span *= 2
    return None


def _polish(
    known: NDArray[np.float64], tolerance: NDArray[np.float64], step: float, origin: float
) -> tuple[float, float] | None:
    """Shift a nearly right grid until every number is within its tolerance, or give None.

    A grid through 0 keeps 0: each number then bounds the step on both sides. Else by Lawson's
    iteration for Chebyshev fits. Source: J. R. Rice, The Approximation of Functions, vol. 2
    (1969), from memory.
    """
    counts = np.rint((known - origin) / step)
    if origin == 0.0:
        at_zero = counts == 0
        if np.any(np.abs(known[at_zero]) > tolerance[at_zero]) or at_zero.all():
            return None
        places, values, slack = counts[~at_zero], known[~at_zero], tolerance[~at_zero]
        low = float(((values / places) - slack / np.abs(places)).max())
        high = float(((values / places) + slack / np.abs(places)).min())
        return ((low + high) / 2, 0.0) if low <= high else None
    weight = 1 / tolerance**2
    for _ in range(40):
        weight /= weight.sum()
        mean_count, mean = float((weight * counts).sum()), float((weight * known).sum())
        centred = counts - mean_count
        power = float((weight * centred**2).sum())
        if power <= 0:
            return None
        step = float((weight * centred * (known - mean)).sum()) / power
        start = mean - step * mean_count
        misfit = np.abs(known - (start + step * counts)) / tolerance
        if float(misfit.max()) <= 1:
            return step, start
        weight = weight * (misfit + 1e-3)
    return None
