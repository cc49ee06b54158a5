"""Pictures of waveforms: the worst firings of a suspect over the band of good ones."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from misfire.records import WaveformPanel
from misfire.report.pictures import svg
from misfire.report.wording import format_value

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MAX_LINES = 6
FLAT = 0.002  # of the whole swing: the noise of some counts
KICK_ROLES = ("coil_primary", "coil_secondary")


@dataclass(frozen=True, slots=True)
class Marks:
    """Medians that name the parts of a pattern; NaN where not known."""

    dwell_ms: float = math.nan
    burn_good_ms: float = math.nan
    burn_lost_ms: float = math.nan
    kick_good_v: float = math.nan
    kick_lost_v: float = math.nan


def draw_panel(panel: WaveformPanel, marks: Marks, *, width: int, key: str, css: str = "") -> str:
    """Draw a panel: full height above, the spark line enlarged below where there is a kick.

    Parameters
    ----------
    panel : WaveformPanel
    marks : Marks
    width : int [unit=picture units]
        About the pixels it is shown with; labels keep their size.
    key : str
        Unique in the page.

    Returns
    -------
    picture : str
        One `svg` element.
    """
    import numpy as np

    time = np.asarray(panel.time_ms, dtype=float)
    left, right = 46.0, width - 8.0
    x = svg.make_scale(float(time[0]), float(time[-1]), left, right)
    lines = np.atleast_2d(np.asarray(panel.suspect, dtype=float))[:MAX_LINES]
    top_value = _finite_max(lines, panel.good_high)
    low_value = min(0.0, _finite_min(lines, panel.good_low))
    enlarged = _spark_height(panel, lines, time)
    body: list[str] = []
    if panel.role in KICK_ROLES and enlarged and top_value > 2.5 * enlarged:
        upper = (14.0, 104.0)
        body += _plot(panel, lines, x, (low_value, top_value * 1.06), upper, key=f"{key}-a", rows=3)
        body += _kick_words(panel, marks, x.at(0) + 14)
        names_y = 128.0
        lower = (names_y + 46, names_y + 46 + 170)
        body += _plot(panel, lines, x, (low_value, enlarged), lower, key=f"{key}-b", rows=5)
        body += _part_names(panel, marks, x, names_y, lower)
        bottom = lower[1]
    else:
        names_y = 16.0
        named = panel.role in (*KICK_ROLES, "coil_current")
        start = 14.0
        if named:
            start = names_y + (46 if panel.role in KICK_ROLES else 32)
        lower = (start, start + 190)
        body += _plot(panel, lines, x, (low_value, top_value * 1.08), lower, key=f"{key}-b", rows=5)
        if named:
            body += _part_names(panel, marks, x, names_y, lower)
        bottom = lower[1]
    body += _time_axis(x, bottom)
    title = (
        f"{panel.channel} around switch-off: {len(lines)} worst firings of cylinder "
        f"{panel.cylinder} over the band of good firings"
    )
    return svg.picture(body, width=width, height=bottom + 38, key=key, title=title, css=css)


def _plot(
    panel: WaveformPanel,
    lines: NDArray[np.float64],
    x: svg.Axis,
    limits: tuple[float, float],
    rows_y: tuple[float, float],
    *,
    key: str,
    rows: int,
) -> list[str]:
    """Draw axes, good band and suspect lines within one frame."""
    import numpy as np

    top, bottom = rows_y
    y = svg.make_scale(limits[0], limits[1], bottom, top)
    time = x.places(np.asarray(panel.time_ms, dtype=float))
    frame = f'x="{x.start:g}" y="{top:g}" width="{x.stop - x.start:g}" height="{bottom - top:g}"'
    body = [f'<clipPath id="{key}"><rect {frame}/></clipPath>']
    for tick in svg.find_ticks(y.low, y.high, count=rows):
        body.append(svg.line(x.start, y.at(tick), x.stop, y.at(tick), css="grid"))
        body.append(svg.text(x.start - 5, y.at(tick) + 4, svg.format_tick(tick), anchor="end"))
    body.append(svg.text(2, top - 4, panel.unit))
    body.append(svg.line(x.at(0), top, x.at(0), bottom, css="zero"))
    floor, ceiling = bottom + 40, top - 40  # far outside the frame nothing needs a shape
    clip = [
        np.clip(y.places(np.asarray(values, dtype=float)), ceiling, floor)
        for values in (panel.good_low, panel.good_high, panel.good_mid)
    ]
    body.append(f'<g clip-path="url(#{key})">')
    body.append(f'<path class="band" d="{svg.format_band(time, clip[0], clip[1])}"/>')
    body.append(f'<path class="middle" d="{svg.format_path(time, clip[2])}"/>')
    for values in lines:
        places = np.clip(y.places(values), ceiling, floor)
        body.append(f'<path class="lost" d="{svg.format_path(time, places, column=1.5)}"/>')
    body.append("</g>")
    return body


def _part_names(
    panel: WaveformPanel,
    marks: Marks,
    x: svg.Axis,
    names_y: float,
    rows_y: tuple[float, float],
) -> list[str]:
    """Name the parts of the pattern over the plot, from the medians of good firings."""
    bottom = rows_y[1]
    body: list[str] = []
    words_over: list[str] = []  # after all lines, so that none runs through them

    def span(start: float, stop: float, words: str) -> None:
        """Put a bracket with its name over a stretch of time."""
        a, b = x.at(max(start, x.low)), x.at(min(stop, x.high))
        if b - a < 24:
            return
        body.append(f'<path class="bracket" d="M{a + 1:.1f} {names_y + 10:.1f}v-5H{b - 1:.1f}v5"/>')
        words_over.append(svg.text((a + b) / 2, names_y, words, css="part", anchor="middle"))

    if math.isfinite(marks.dwell_ms) and marks.dwell_ms > 0:
        span(-marks.dwell_ms, 0.0, "dwell")
    words_over.append(svg.text(x.at(0) - 4, names_y + 26, "switch-off", css="part", anchor="end"))
    if panel.role in KICK_ROLES and math.isfinite(marks.burn_good_ms) and marks.burn_good_ms > 0:
        burn = marks.burn_good_ms
        span(0.0, burn, "spark line")
        span(burn, min(burn + 1.6, x.high), "ring-down")
        at = x.at(burn)
        body.append(svg.line(at, names_y + 14, at, bottom, css="mark-good"))
        words = _fit(f"good: {format_value(burn, 2)} ms", at, x)
        words_over.append(svg.text(at + 4, names_y + 26, words, css="good"))
    if panel.role in KICK_ROLES and math.isfinite(marks.burn_lost_ms):
        at = x.at(marks.burn_lost_ms)
        body.append(svg.line(at, names_y + 30, at, bottom, css="mark-lost"))
        words = "lost: no spark line"
        if marks.burn_lost_ms > 0:
            words = _fit(f"lost: {format_value(marks.burn_lost_ms, 2)} ms", at, x)
        words_over.append(svg.text(at + 4, names_y + 40, words, css="lost-words"))
    return body + words_over


def is_cut_off(panel: WaveformPanel) -> bool:
    """Tell whether the swings below zero end flat: there the instrument's range ended.

    Seen as two or more stretches of three or more samples after switch-off that lie at the lowest
    value of all, but for noise.
    """
    import numpy as np

    lines = np.atleast_2d(np.asarray(panel.suspect, dtype=float))
    if panel.role not in KICK_ROLES or not np.isfinite(lines).any():
        return False
    after = lines[:, np.asarray(panel.time_ms, dtype=float) > 0]
    if not after.size or not np.isfinite(after).any():
        return False
    lowest, highest = float(np.nanmin(after)), float(np.nanmax(after))
    if lowest >= 0 or highest <= lowest:
        return False
    for row in after <= lowest + FLAT * (highest - lowest):
        edges = np.diff(np.concatenate(([0], row.astype(np.int8), [0])))
        lengths = np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)
        if (lengths >= 3).sum() >= 2:
            return True
    return False


def _fit(words: str, at: float, x: svg.Axis) -> str:
    """Say that this is the end of burn where there is room for it (about 7 units a letter)."""
    whole = f"end of burn, {words}"
    return whole if x.stop - at > 7.2 * len(whole) else words


def _kick_words(panel: WaveformPanel, marks: Marks, at: float) -> list[str]:
    """Name the firing line, with its heights where they were measured."""
    body = [svg.text(at, 26, "firing line", css="part")]
    if panel.role != "coil_primary" or panel.unit != "V":
        return body
    if math.isfinite(marks.kick_lost_v):
        words = f"lost: {format_value(marks.kick_lost_v, 0)} V"
        body.append(svg.text(at, 41, words, css="lost-words"))
    if math.isfinite(marks.kick_good_v):
        body.append(svg.text(at, 56, f"good: {format_value(marks.kick_good_v, 0)} V", css="good"))
    return body


def _time_axis(x: svg.Axis, bottom: float) -> list[str]:
    """Draw the time axis."""
    body = [svg.line(x.start, bottom, x.stop, bottom, css="axis")]
    for tick in svg.find_ticks(x.low, x.high, count=8 if x.stop > 500 else 5):
        body.append(svg.line(x.at(tick), bottom, x.at(tick), bottom + 4, css="axis"))
        body.append(svg.text(x.at(tick), bottom + 17, svg.format_tick(tick), anchor="middle"))
    body.append(svg.text(x.stop, bottom + 33, "ms from switch-off", anchor="end"))
    return body


def _spark_height(
    panel: WaveformPanel, lines: NDArray[np.float64], time: NDArray[np.float64]
) -> float:
    """Give a height that shows the spark line whole; 0 when there is none."""
    import numpy as np

    after = time > 0.15
    values = np.concatenate((lines[:, after].ravel(), np.asarray(panel.good_high)[after]))
    values = values[np.isfinite(values)]
    return float(np.percentile(values, 99.5)) * 1.25 if values.size else 0.0


def _finite_max(*arrays: NDArray[np.float64]) -> float:
    """Give the largest finite value; 1 when there is none."""
    import numpy as np

    values = np.concatenate([np.ravel(a) for a in arrays])
    values = values[np.isfinite(values)]
    return float(values.max()) if values.size else 1.0


def _finite_min(*arrays: NDArray[np.float64]) -> float:
    """Give the smallest finite value; 0 when there is none."""
    import numpy as np

    values = np.concatenate([np.ravel(a) for a in arrays])
    values = values[np.isfinite(values)]
    return float(values.min()) if values.size else 0.0
