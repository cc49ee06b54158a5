"""Small box plots: one measured quantity, cylinder beside cylinder."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from misfire.records import Diagnosis
from misfire.report.pictures import svg
from misfire.report.summary import LOST
from misfire.report.wording import Quantity, format_value, is_bound

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

HALF = 0.5  # share of lower limits above which all values are told as such
MAX_MARKS = 60


@dataclass(frozen=True, slots=True)
class Spread:
    """Values of one quantity in one cylinder: good firings and lost ones."""

    cylinder: int
    good: NDArray[np.float64]
    lost: NDArray[np.float64]


def compute_median(*arrays: NDArray[np.float64]) -> float:
    """Give the median of all finite values; NaN when there is none."""
    import numpy as np

    values = np.concatenate(arrays) if arrays else np.empty(0)
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else float("nan")


def split_values(diagnosis: Diagnosis, column: str) -> tuple[Spread, ...]:
    """Split a column of events or extras by cylinder, into good and lost firings; NaN left out.

    Firings that were not judged, and those in a fuel cut, are in neither.
    """
    import numpy as np

    events = diagnosis.events
    table = events if column in events else diagnosis.extras
    values = table[column].to_numpy(dtype=float)
    cylinder = events["cylinder"].to_numpy(dtype=float)
    probability = events["misfire_probability"].to_numpy(dtype=float)
    cut = events["flags"].fillna("").str.contains("fuel_cut", regex=False).to_numpy(dtype=bool)
    known = np.isfinite(values) & np.isfinite(probability) & ~cut
    lost = known & (probability >= LOST)
    return tuple(
        Spread(
            number,
            values[known & ~lost & (cylinder == number)],
            values[lost & (cylinder == number)],
        )
        for number in sorted(c.cylinder for c in diagnosis.cylinders)
    )


def word_unit(diagnosis: Diagnosis, quantity: Quantity) -> str:
    """Give a quantity's unit, and whether most of its values are lower limits, or estimates."""
    events = diagnosis.events
    words = [quantity.unit]
    if quantity.column == "firing_voltage_kv" and is_lower_limit(events):
        words.append("at least")
    if quantity.unit == "kV" and diagnosis.job.engine.coil_turns_ratio is None:
        words.append("estimated")
    return ", ".join(words)


def is_lower_limit(of: pd.DataFrame) -> bool:
    """Whether most firing voltages of some firings are limits: cut off, or the gap held."""
    flags = of["flags"][of["firing_voltage_kv"].notna()].fillna("")
    counts = flags.value_counts()
    limits = sum(n for text, n in counts.items() if is_bound(str(text), "firing_voltage_kv"))
    return bool(limits > HALF * len(flags))


def draw_spread(
    spreads: tuple[Spread, ...],
    quantity: Quantity,
    *,
    suspects: frozenset[int],
    unit: str,
    key: str,
    width: int = 330,
    height: int = 210,
    css: str = "",
) -> str:
    """Draw a box plot of good firings for each cylinder, with the lost firings as triangles.

    Parameters
    ----------
    spreads : tuple of Spread
    quantity : Quantity
    suspects : frozenset of int
        Cylinders drawn with a diamond instead of a bar at the median, and a thicker box.
    unit : str
        As `word_unit` gives it.
    key : str
        Unique in the page.
    width, height : int [unit=picture units]

    Returns
    -------
    picture : str
        One `svg` element; empty when nothing was measured.
    """
    import numpy as np

    filled = [s.good for s in spreads if s.good.size] + [s.lost for s in spreads if s.lost.size]
    if not filled:
        return ""
    ends = [np.percentile(v, [0.5, 99.5]) for v in filled]
    low, high = float(min(e[0] for e in ends)), float(max(e[1] for e in ends))
    if low > 0 and low < 0.6 * high:
        low = 0.0
    pad = 0.06 * (high - low)
    left, right, top, bottom = 50.0, width - 6.0, 24.0, height - 38.0
    y = svg.make_scale(low - pad if low else low, high + pad, bottom, top)
    body = [svg.text(2, 12, f"{quantity.label} ({unit})", css="name")]
    for tick in svg.find_ticks(y.low, y.high, count=5):
        body.append(svg.line(left, y.at(tick), right, y.at(tick), css="grid"))
        body.append(svg.text(left - 5, y.at(tick) + 4, svg.format_tick(tick), anchor="end"))
    step = (right - left) / len(spreads)
    for k, spread in enumerate(spreads):
        middle = left + (k + 0.5) * step
        marked = spread.cylinder in suspects
        body += _box(spread.good, y, middle, min(step * 0.4, 26.0), marked=marked)
        body += _triangles(spread.lost, y, middle, min(step * 0.4, 26.0))
        kind = "lost-words" if marked else ""
        body.append(svg.text(middle, bottom + 16, str(spread.cylinder), css=kind, anchor="middle"))
    body.append(svg.text((left + right) / 2, bottom + 32, "cylinder", anchor="middle"))
    medians = "; ".join(_describe(s, quantity) for s in spreads if s.good.size or s.lost.size)
    title = f"{quantity.label} in {unit}. {medians}"
    return svg.picture(body, width=width, height=height, key=key, title=title, css=css)


def _box(
    values: NDArray[np.float64], y: svg.Axis, middle: float, width: float, *, marked: bool
) -> list[str]:
    """Draw 10 to 90 per cent as a line, 25 to 75 as a box, the median as a bar or diamond."""
    import numpy as np

    if not values.size:
        return []
    p10, p25, p50, p75, p90 = (y.at(float(v)) for v in np.percentile(values, [10, 25, 50, 75, 90]))
    kind = "box marked" if marked else "box"
    half = width / 2
    body = [
        svg.line(middle, p10, middle, p90, css=kind),
        svg.rect(middle - half, p75, width, max(p25 - p75, 1.0), css=kind),
    ]
    if marked:
        body.append(f'<path class="diamond" d="M{middle:.1f} {p50 - 5:.1f}l5 5l-5 5l-5 -5Z"/>')
    else:
        body.append(svg.line(middle - half, p50, middle + half, p50, css="median"))
    return body


def _triangles(values: NDArray[np.float64], y: svg.Axis, middle: float, width: float) -> list[str]:
    """Draw lost firings beside the box; of many, an even choice from lowest to highest."""
    import numpy as np

    if not values.size:
        return []
    ordered = np.sort(values)
    if ordered.size > MAX_MARKS:
        ordered = ordered[np.linspace(0, ordered.size - 1, MAX_MARKS).round().astype(int)]
    places = np.clip(y.places(ordered), y.stop, y.start)
    shapes = []
    for k, place in enumerate(places.tolist()):
        x = middle + width / 2 + 5 + 2.2 * (k % 4)
        shapes.append(f"M{x:.1f} {place - 3:.1f}l3 5h-6Z")
    return [f'<path class="lost-mark" d="{"".join(shapes)}"/>']


def _describe(spread: Spread, quantity: Quantity) -> str:
    """Say the medians of one cylinder."""
    words = [f"cylinder {spread.cylinder}:"]
    if spread.good.size:
        words.append(f"good {format_value(compute_median(spread.good), quantity.decimals)}")
    if spread.lost.size:
        words.append(f"lost {format_value(compute_median(spread.lost), quantity.decimals)}")
    return " ".join(words)
