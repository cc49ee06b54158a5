"""Small pieces of SVG: scales, ticks, thinned paths, labels, the frame of a picture."""

from __future__ import annotations

import html
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Axis:
    """A straight map from values [low, high] to picture units [start, stop]."""

    low: float
    high: float
    start: float
    stop: float

    def at(self, value: float) -> float:
        """Give the place of one value."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.stop - self.start)

    def places(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give the places of many values."""
        span = (self.stop - self.start) / (self.high - self.low)
        return self.start + (values - self.low) * span


def make_scale(low: float, high: float, start: float, stop: float) -> Axis:
    """Make a scale that never has zero width."""
    if not (math.isfinite(low) and math.isfinite(high)):
        low, high = 0.0, 1.0
    if high - low <= 1e-12 * max(abs(low), abs(high), 1e-300):
        pad = max(abs(low) * 0.1, 0.5)
        low, high = low - pad, high + pad
    return Axis(low, high, start, stop)


def find_ticks(low: float, high: float, *, count: int) -> tuple[float, ...]:
    """Give round values in [low, high], at most about `count`.

    Parameters
    ----------
    low, high : float [low < high]
    count : int [> 0]

    Returns
    -------
    ticks : tuple of float
        Multiples of 1, 2 or 5 times a power of ten.

    Examples
    --------
    >>> find_ticks(0.0, 1.7, count=4)
    (0.0, 0.5, 1.0, 1.5)
    """
    raw = (high - low) / max(count, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * 0.999999)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple(float(f"{k * step:.10g}") for k in range(first, last + 1))


def format_tick(value: float) -> str:
    """Give a tick's text, with a true minus sign.

    Examples
    --------
    >>> format_tick(0.5), format_tick(-200.0)
    ('0.5', '−200')
    """
    return f"{value:g}".replace("-", "−")


def text(x: float, y: float, words: str, *, css: str = "", anchor: str = "start") -> str:
    """Give one label; `words` may be anything, it is escaped."""
    kind = f' class="{css}"' if css else ""
    place = f' text-anchor="{anchor}"' if anchor != "start" else ""
    return f'<text x="{x:.1f}" y="{y:.1f}"{kind}{place}>{html.escape(words)}</text>'


def line(x1: float, y1: float, x2: float, y2: float, *, css: str) -> str:
    """Give one straight line."""
    return f'<path class="{css}" d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}"/>'


def rect(x: float, y: float, width: float, height: float, *, css: str) -> str:
    """Give one box."""
    return (
        f'<rect class="{css}" x="{x:.1f}" y="{y:.1f}" '
        f'width="{max(width, 0):.1f}" height="{max(height, 0):.1f}"/>'
    )


def thin(
    x: NDArray[np.float64], y: NDArray[np.float64], *, column: float = 1.0
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Keep at most the lowest and the highest point of each pixel column, in their order.

    Parameters
    ----------
    x, y : float64 array [shape=(n,), finite, x ascending, unit=picture units]
    column : float [unit=picture units, > 0]

    Returns
    -------
    x, y : float64 array [shape=(m,), m <= n]
    """
    import numpy as np

    if x.size < 3:
        return x, y
    bins = np.floor((x - x[0]) / column).astype(np.int64)
    starts = np.flatnonzero(np.concatenate(([True], bins[1:] != bins[:-1])))
    order = np.lexsort((y, bins))
    stops = np.append(starts[1:], x.size)
    keep = np.unique(np.concatenate((order[starts], order[stops - 1], [0, x.size - 1])))
    return x[keep], y[keep]


def format_path(x: NDArray[np.float64], y: NDArray[np.float64], *, column: float = 1.0) -> str:
    """Give path data of a line, thinned; NaN breaks the line.

    Parameters
    ----------
    x, y : float64 array [shape=(n,), x ascending, unit=picture units]
    column : float [unit=picture units, > 0]

    Returns
    -------
    data : str
    """
    import numpy as np

    good = np.isfinite(x) & np.isfinite(y)
    parts = []
    edges = np.flatnonzero(np.diff(np.concatenate(([0], good.astype(np.int8), [0]))))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        px, py = thin(x[start:stop], y[start:stop], column=column)
        px, py = _straighten(px, py)
        points = [f"{_short(a)} {_short(b)}" for a, b in zip(px.tolist(), py.tolist(), strict=True)]
        parts.append("M" + "L".join(points))
    return "".join(parts)


def format_band(
    x: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    *,
    column: float = 1.0,
) -> str:
    """Give path data of the closed area between two lines; columns with a NaN are left out."""
    import numpy as np

    good = np.isfinite(x) & np.isfinite(low) & np.isfinite(high)
    if good.sum() < 2:
        return ""
    upper = format_path(x[good], high[good], column=column)
    lx, ly = thin(x[good], low[good], column=column)
    lx, ly = _straighten(lx, ly)
    back = "".join(
        f"L{_short(a)} {_short(b)}"
        for a, b in zip(lx[::-1].tolist(), ly[::-1].tolist(), strict=True)
    )
    return f"{upper}{back}Z"


def picture(
    body: list[str], *, width: float, height: float, key: str, title: str, css: str = ""
) -> str:
    """Frame a picture; `title` is what a screen reader says, `key` is unique in the page."""
    kind = f' class="{css}"' if css else ""
    return (
        f'<svg{kind} viewBox="0 0 {width:g} {height:g}" role="img" aria-labelledby="{key}">'
        f'<title id="{key}">{html.escape(title)}</title>{"".join(body)}</svg>'
    )


def _short(value: float) -> str:
    """Write a place with one decimal, without a needless one."""
    made = f"{value:.1f}"
    return made[:-2] if made.endswith(".0") else made


def _straighten(
    x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Drop points that lie on the line between their neighbours, within 0.15 units."""
    import numpy as np

    for _ in range(3):
        if x.size < 3:
            break
        run = np.maximum(x[2:] - x[:-2], 1e-9)
        between = y[:-2] + (y[2:] - y[:-2]) * (x[1:-1] - x[:-2]) / run
        keep = np.ones(x.size, dtype=bool)
        keep[1:-1] = np.abs(y[1:-1] - between) > 0.15
        keep[2:-1:2] = True  # never two neighbours in one round
        if keep.all():
            break
        x, y = x[keep], y[keep]
    return x, y
