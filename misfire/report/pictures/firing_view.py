"""One firing in the raw channels, with the measured points marked: a picture for tickets."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from misfire.errors import ParameterError
from misfire.report.pictures import svg

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

WIDTH = 980
LEFT, RIGHT = 62.0, WIDTH - 14.0
PARTS = ("whole", "breakdown", "spark")
BEFORE_MS = {"breakdown": 0.05, "spark": 0.15}  # of switch-off, so that its flank is in view
AFTER_BREAKDOWN_MS = 0.15  # a few swings of the coil's ringing
LEAST_BREAKDOWN_MS = 0.25
STYLE = (
    "svg{background:#fcfbf8}text{font:12px 'Liberation Sans','DejaVu Sans',Arial,sans-serif;"
    "fill:#5c5a54}.title{font-size:17px;font-weight:700;fill:#1f1e1b}.name{fill:#1f1e1b;"
    "font-weight:700}.part{fill:#1f1e1b}.grid{stroke:#d9d5cb;stroke-width:.7;fill:none}"
    ".axis{stroke:#5c5a54;fill:none}.wave{stroke:#1f4e8c;stroke-width:1.3;fill:none;"
    "stroke-linejoin:round}.mark{stroke:#b23c0c;stroke-width:1.1;stroke-dasharray:5 3;fill:none}"
    ".point{fill:#b23c0c}.said{fill:#b23c0c;font-weight:700}.tooth{stroke:#5c5a54;fill:none}"
    ".near{fill:#b9cbe4;fill-opacity:.45}.bracket{stroke:#5c5a54;fill:none}"
)


@dataclass(frozen=True, slots=True)
class Mark:
    """A measured point: its name, instant [ms from switch-off] and value, NaN where it has none."""

    name: str
    at_ms: float
    value: float = math.nan
    said: str = ""


@dataclass(frozen=True, slots=True)
class ChannelView:
    """Raw samples of one channel, in its unit, with the points measured in it.

    `time_ms`, `values` [shape=(n,)]: from switch-off. `teeth_ms` and `gaps_ms` (start and stop)
    only for the crank.
    """

    name: str
    role: str
    unit: str
    time_ms: NDArray[np.float64]
    values: NDArray[np.float64]
    marks: tuple[Mark, ...] = ()
    teeth_ms: tuple[float, ...] = ()
    gaps_ms: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class FiringView:
    """One firing: where it is, and its channels near (some ms) and far (about a revolution)."""

    vehicle: str
    source: str
    cylinder: int
    time_s: float
    rpm: float
    row: int | None
    near: tuple[ChannelView, ...]
    far: tuple[ChannelView, ...]
    near_ms: tuple[float, float]
    far_ms: tuple[float, float]
    far_marks: tuple[Mark, ...]
    notes: tuple[str, ...] = ()


def check_part(part: str) -> None:
    """Refuse what is no part, with a ParameterError, before the work is done."""
    if part not in PARTS:
        raise ParameterError(f"--part must be one of {', '.join(PARTS)}, got {part!r}")


def choose_part(view: FiringView, part: str) -> FiringView:
    """Restrict the coils' channels to a part of the firing.

    Parameters
    ----------
    view : FiringView
    part : str [one of PARTS]
        `breakdown`: from just before switch-off to just after the breakdown; `spark`: from there
        to the ring-down.

    Returns
    -------
    view : FiringView

    Raises
    ------
    ParameterError
        If there is no such part.
    """
    import numpy as np

    check_part(part)
    if part == "whole" or not view.near:
        return view
    stop = view.near_ms[1]
    if part == "breakdown":
        broke = [m.at_ms for c in view.near for m in c.marks if m.name == "breakdown"]
        stop = min(stop, max(LEAST_BREAKDOWN_MS, max(broke, default=0.0) + AFTER_BREAKDOWN_MS))
    span = (-BEFORE_MS[part], stop)
    near = []
    for channel in view.near:
        first, last = np.searchsorted(channel.time_ms, span)
        shown = slice(max(0, int(first) - 1), int(last) + 1)  # lines reach the frame
        near.append(replace(channel, time_ms=channel.time_ms[shown], values=channel.values[shown]))
    return replace(view, near=tuple(c for c in near if c.values.size), near_ms=span)


def format_firing_picture(view: FiringView) -> str:
    """Give the picture as one SVG document that needs nothing else.

    Parameters
    ----------
    view : FiringView

    Returns
    -------
    picture : str
        Light colours only: it goes into tickets and onto paper.
    """
    row = f", row {view.row} of events.parquet" if view.row is not None else ""
    speed = f", {view.rpm:.0f} rev/min" if math.isfinite(view.rpm) else ""
    title = f"{view.vehicle}: firing of cylinder {view.cylinder} at {view.time_s:.4f} s{speed}{row}"
    body = [svg.text(14, 26, title, css="title"), svg.text(14, 44, view.source)]
    y = 58.0
    for number, channel in enumerate(view.near):
        made, y = _draw_near(channel, view.near_ms, y, key=f"near{number}")
        body += made
    if view.near:
        body += _time_axis(view.near_ms, y, "ms from switch-off")
        y += 46
    for number, channel in enumerate(view.far):
        made, y = _draw_far(channel, view, y, key=f"far{number}")
        body += made
    if view.far:
        body += _time_axis(view.far_ms, y, "ms from switch-off; shaded: the stretch shown above")
        y += 46
    for note in view.notes:
        body.append(svg.text(14, y + 4, note))
        y += 17
    spoken = "; ".join(
        f"{c.name}: " + ", ".join(f"{m.name} {m.said}".strip() for m in c.marks)
        for c in (*view.near, *view.far)
        if c.marks
    )
    picture = svg.picture(body, width=WIDTH, height=y + 8, key="firing", title=f"{title}. {spoken}")
    size = f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{y + 8:g}"'
    picture = picture.replace("<svg", size, 1)
    return picture.replace("</title>", f"</title><style>{STYLE}</style>", 1) + "\n"


def _draw_near(
    channel: ChannelView, span_ms: tuple[float, float], top: float, *, key: str
) -> tuple[list[str], float]:
    """Draw a coil channel; where a kick towers over the spark line, both heights."""
    import numpy as np

    x = svg.make_scale(*span_ms, LEFT, RIGHT)
    body = [svg.text(14, top + 14, f"{channel.name} ({channel.unit})", css="name")]
    names_y = top + 14
    low, high = _limits(channel.values)
    after = channel.values[channel.time_ms > 0.15]
    small = float(np.percentile(np.abs(after), 99)) * 1.3 if after.size else 0.0
    body += _name_marks(channel.marks, x, names_y + 16)
    y = top + 24 + 15 * max(1, _levels(channel.marks, x))
    start = y
    if channel.role in ("coil_primary", "coil_secondary") and 0 < small < 0.4 * (high - low):
        body += _frame(channel, x, (low, high), (y, y + 84), key=f"{key}a", rows=3)
        y += 98
        resting = channel.values[(channel.time_ms < 0)]
        floor = min(-0.1 * small, float(resting.min()) if resting.size else 0.0)
        ceiling = max(small, float(np.percentile(resting, 99)) * 1.2 if resting.size else small)
        body += _frame(channel, x, (floor, ceiling), (y, y + 150), key=f"{key}b", rows=5)
        body.append(svg.text(RIGHT, y - 4, "enlarged", anchor="end"))
        y += 150
    else:
        body += _frame(channel, x, (low, high), (y, y + 130), key=key, rows=4)
        y += 130
    for mark in channel.marks:
        if span_ms[0] <= mark.at_ms <= span_ms[1]:
            body.append(svg.line(x.at(mark.at_ms), start - 6, x.at(mark.at_ms), y, css="mark"))
    return body, y + 14


def _draw_far(
    channel: ChannelView, view: FiringView, top: float, *, key: str
) -> tuple[list[str], float]:
    """Draw a channel over about a revolution, with teeth, gap and the dead centres."""
    x = svg.make_scale(*view.far_ms, LEFT, RIGHT)
    body = [svg.text(14, top + 14, f"{channel.name} ({channel.unit})", css="name")]
    marks = (*view.far_marks, *channel.marks)
    body += _name_marks(marks, x, top + 30)
    y = top + 24 + 15 * max(1, _levels(marks, x))
    low, high = _limits(channel.values)
    if view.near:
        a, b = (min(max(x.at(v), LEFT), RIGHT) for v in view.near_ms)
        body.append(svg.rect(a, y, b - a, 120, css="near"))
    body += _frame(channel, x, (low, high), (y, y + 120), key=key, rows=4)
    for mark in marks:
        if view.far_ms[0] <= mark.at_ms <= view.far_ms[1]:
            body.append(svg.line(x.at(mark.at_ms), y - 6, x.at(mark.at_ms), y + 120, css="mark"))
    y += 120
    if channel.teeth_ms:
        places = [x.at(t) for t in channel.teeth_ms if view.far_ms[0] <= t <= view.far_ms[1]]
        ticks = "".join(f"M{p:.1f} {y + 4:.1f}v7" for p in places)
        body.append(f'<path class="tooth" d="{ticks}"/>')
        body.append(svg.text(LEFT - 6, y + 12, "teeth", anchor="end"))
        for start, stop in channel.gaps_ms:
            a, b = max(x.at(start), LEFT), min(x.at(stop), RIGHT)
            if b - a > 4:
                body.append(f'<path class="bracket" d="M{a:.1f} {y + 15:.1f}v5H{b:.1f}v-5"/>')
                body.append(svg.text((a + b) / 2, y + 33, "gap", css="said", anchor="middle"))
        y += 32
    return body, y + 14


def _frame(
    channel: ChannelView,
    x: svg.Axis,
    limits: tuple[float, float],
    rows_y: tuple[float, float],
    *,
    key: str,
    rows: int,
) -> list[str]:
    """Draw axes and samples of one channel, and its points that have a value."""
    import numpy as np

    top, bottom = rows_y
    y = svg.make_scale(*limits, bottom, top)
    box = f'x="{LEFT:g}" y="{top:g}" width="{RIGHT - LEFT:g}" height="{bottom - top:g}"'
    body = [f'<clipPath id="{key}"><rect {box}/></clipPath>']
    for tick in svg.find_ticks(y.low, y.high, count=rows):
        body.append(svg.line(LEFT, y.at(tick), RIGHT, y.at(tick), css="grid"))
        body.append(svg.text(LEFT - 6, y.at(tick) + 4, svg.format_tick(tick), anchor="end"))
    places = np.clip(y.places(channel.values), top - 60, bottom + 60)
    path = svg.format_path(x.places(channel.time_ms), places, column=0.5)
    body.append(f'<g clip-path="url(#{key})"><path class="wave" d="{path}"/></g>')
    for mark in channel.marks:
        if y.low <= mark.value <= y.high and x.low <= mark.at_ms <= x.high:
            at = f'cx="{x.at(mark.at_ms):.1f}" cy="{y.at(mark.value):.1f}"'
            body.append(f'<circle class="point" {at} r="3.5"/>')
    return body


def _place(marks: tuple[Mark, ...], x: svg.Axis) -> list[tuple[Mark, str, int, bool]]:
    """Give each name a line of its own where it would run into the one before."""
    placed: list[tuple[Mark, str, int, bool]] = []
    ends: list[float] = []
    for mark in sorted(marks, key=lambda m: m.at_ms):
        if not x.low <= mark.at_ms <= x.high:
            continue
        words = f"{mark.name} {mark.said}".strip()
        width, at = 6.9 * len(words) + 8, x.at(mark.at_ms)
        left = at + width > RIGHT
        start = at - width if left else at
        level = next((k for k, end in enumerate(ends) if end < start), len(ends))
        if level == len(ends):
            ends.append(0.0)
        ends[level] = start + width
        placed.append((mark, words, level, left))
    return placed


def _levels(marks: tuple[Mark, ...], x: svg.Axis) -> int:
    """Count the lines that the names take."""
    return max((level + 1 for _, _, level, _ in _place(marks, x)), default=0)


def _name_marks(marks: tuple[Mark, ...], x: svg.Axis, top: float) -> list[str]:
    """Write the names of the marks over the plot."""
    body = []
    for mark, words, level, left in _place(marks, x):
        at = x.at(mark.at_ms)
        y = top + 15 * level
        anchor = "end" if left else "start"
        body.append(svg.text(at - 3 if left else at + 3, y, words, css="said", anchor=anchor))
    return body


def _time_axis(span_ms: tuple[float, float], y: float, words: str) -> list[str]:
    """Draw a time axis."""
    x = svg.make_scale(*span_ms, LEFT, RIGHT)
    top = y - 8
    body = [svg.line(LEFT, top, RIGHT, top, css="axis")]
    for tick in svg.find_ticks(*span_ms, count=10):
        body.append(svg.line(x.at(tick), top, x.at(tick), top + 4, css="axis"))
        body.append(svg.text(x.at(tick), top + 17, svg.format_tick(tick), anchor="middle"))
    body.append(svg.text(RIGHT, top + 33, words, anchor="end"))
    return body


def _limits(values: NDArray[np.float64]) -> tuple[float, float]:
    """Give the range of some values with a margin."""
    if not values.size:
        return 0.0, 1.0
    low, high = float(values.min()), float(values.max())
    pad = 0.06 * (high - low) or 0.5
    return low - pad, high + pad
