"""The waveforms to expect, with their parts named."""

from __future__ import annotations

import math

import numpy as np

from misfire.report.hookup.plan import Expected
from misfire.report.pictures import svg

WIDTH = 760.0
LEFT, RIGHT = 52.0, 744.0


def draw_expected(wave: Expected, *, key: str) -> str:
    """Draw one waveform to expect.

    Parameters
    ----------
    wave : Expected
    key : str
        Unique in the page.

    Returns
    -------
    picture : str
        One `svg` element, 760 units wide.
    """
    if wave.role == "crank":
        return _draw_crank(wave, key)
    if wave.role == "coil_current":
        return _draw_current(wave, key)
    return _draw_kick(wave, key)


def _frame(x: svg.Axis, y: svg.Axis, unit: str, *, count: int, x_words: str = "") -> list[str]:
    """Draw grid, axis and its numbers."""
    body = []
    for tick in svg.find_ticks(y.low, y.high, count=count):
        at = y.at(tick)
        body.append(svg.line(LEFT, at, RIGHT, at, css="zero" if tick == 0 else "grid"))
        body.append(svg.text(LEFT - 6, at + 4, svg.format_tick(tick), anchor="end"))
    body.append(svg.text(6, y.stop + 4, unit, css="name"))
    if x_words:
        bottom = y.start
        for tick in svg.find_ticks(x.low, x.high, count=9):
            body.append(svg.line(x.at(tick), bottom, x.at(tick), bottom + 4, css="axis"))
            body.append(svg.text(x.at(tick), bottom + 17, svg.format_tick(tick), anchor="middle"))
        body.append(svg.text(RIGHT, bottom + 32, x_words, anchor="end"))
    return body


def _trace(wave: Expected, x: svg.Axis, y: svg.Axis) -> str:
    """Draw the line itself, cut off at the frame."""
    values = np.clip(wave.y, y.low, y.high)
    data = svg.format_path(x.places(wave.x), y.places(values), column=0.5)
    return f'<path class="trace" d="{data}"/>'


def _bracket(a: float, b: float, y: float, words: str) -> list[str]:
    """Draw a span with its name above."""
    body = [f'<path class="bracket" d="M{a:.1f} {y + 5:.1f}V{y:.1f}H{b:.1f}V{y + 5:.1f}"/>']
    if words:
        body.append(svg.text((a + b) / 2, y - 5, words, css="part", anchor="middle"))
    return body


def _pointer(x1: float, y1: float, x2: float, y2: float, words: str, *, anchor: str) -> list[str]:
    """Draw a name (at 1) with a line to what it names (at 2)."""
    pad = {"start": -4.0, "end": 4.0}.get(anchor, 0.0)
    return [
        svg.line(x1 + pad, y1 - 4, x2, y2, css="pointer"),
        svg.text(x1, y1, words, css="part", anchor=anchor),
    ]


def _value_at(wave: Expected, place: float) -> float:
    """Median of the wave about a place."""
    near = np.abs(wave.x - place) < 0.06
    return float(np.median(wave.y[near])) if near.any() else 0.0


def _draw_kick(wave: Expected, key: str) -> str:
    """Draw a primary or secondary: full height above, the low part enlarged below."""
    sign = -1.0 if -float(wave.y.min()) > float(wave.y.max()) else 1.0
    top = float((sign * wave.y).max())
    after = wave.x[-1]
    x = svg.make_scale(float(wave.x[0]), float(after), LEFT, RIGHT)
    ends = sorted((0.0, sign * top * 1.12))
    low = min(float(wave.y.min()), ends[0])
    upper = svg.make_scale(low, max(ends[1], float(wave.y.max())), 186.0, 26.0)
    on, end = -wave.dwell_ms, wave.burn_ms
    inside = (wave.x > 0.15 * max(end, 0.3)) & (wave.x < max(end, 0.3))
    spark = float(np.median(wave.y[inside])) if inside.any() else 0.1 * top
    reach = 2.2 * abs(spark)
    lower_low, lower_high = sorted((-0.5 * abs(spark) * sign, sign * reach))
    lower = svg.make_scale(lower_low, lower_high, 428.0, 246.0)
    primary = wave.role == "coil_primary"
    body = _frame(x, upper, wave.unit, count=4)
    body += [svg.text(LEFT + 4, 18, "full height", css="name")]
    body.append(_trace(wave, x, upper))
    peak_at = float(wave.x[int(np.argmax(sign * wave.y))])
    body += _pointer(
        x.at(peak_at) + 46, upper.at(sign * top * 0.86), x.at(peak_at) + 3,
        upper.at(sign * top * 0.93),
        "firing line, up to the firing voltage", anchor="start",
    )  # fmt: skip
    body += _pointer(
        x.at(0.0) - 46, upper.at(sign * top * 0.5), x.at(0.0) - 2, upper.at(sign * top * 0.42),
        "switch-off", anchor="end",
    )  # fmt: skip
    body += _frame(x, lower, wave.unit, count=5, x_words="milliseconds from switch-off")
    body += [svg.text(LEFT + 4, 238, "the low part, enlarged", css="name")]
    body.append(_trace(wave, x, lower))
    for place in (on, 0.0, end):
        body.append(svg.line(x.at(place), 26, x.at(place), 428, css="mark"))
    # spans lie on the side where the trace is not
    body += _bracket(x.at(on), x.at(0.0), 262.0 if primary else 268.0, "dwell: coil charges")
    body += _bracket(x.at(0.0), x.at(end), 262.0 if primary else 268.0, "burn time")
    spark_x = 0.55 * end
    body += _pointer(
        x.at(end) + 26, lower.at(spark * 1.45), x.at(spark_x), lower.at(_value_at(wave, spark_x)),
        "spark line", anchor="start",
    )  # fmt: skip
    body += _pointer(
        x.at(end) + 120, lower.at(spark * 1.12), x.at(end) + 1, lower.at(_value_at(wave, end)),
        "end of burn", anchor="start",
    )  # fmt: skip
    ring = (wave.x > end + 0.15) & (wave.x < end + 0.9)
    if ring.any():
        at = float(wave.x[ring][int(np.argmax(sign * wave.y[ring]))])
        body += _pointer(
            x.at(end) + 170, lower.at(spark * 0.78), x.at(at), lower.at(_value_at(wave, at)),
            "ring-down", anchor="start",
        )  # fmt: skip
    if primary:
        supply = _value_at(wave, on - 0.6)
        body.append(svg.text(LEFT + 4, lower.at(supply) - 6, "supply", css="part"))
        body.append(
            svg.text(x.at(on / 2), lower.at(_value_at(wave, on / 2)) + 15, "driver on",
                     css="part", anchor="middle")
        )  # fmt: skip
    words = "primary" if primary else "secondary, through a capacitive pick-up"
    title = f"Coil {words}: dwell, switch-off, firing line, spark line, end of burn, ring-down"
    return svg.picture(body, width=WIDTH, height=464, key=key, title=title)


def _draw_current(wave: Expected, key: str) -> str:
    """Draw the coil current: ramp, peak, cut-off."""
    top = float(wave.y.max())
    x = svg.make_scale(float(wave.x[0]), float(wave.x[-1]), LEFT, RIGHT)
    y = svg.make_scale(min(-0.06 * top, float(wave.y.min())), top * 1.25, 206.0, 24.0)
    on = -wave.dwell_ms
    body = _frame(x, y, wave.unit, count=5, x_words="milliseconds from switch-off")
    body.append(_trace(wave, x, y))
    for place in (on, 0.0):
        body.append(svg.line(x.at(place), 24, x.at(place), 206, css="mark"))
    body += _bracket(x.at(on), x.at(0.0), 34.0, "dwell")
    body += _pointer(x.at(0.0) + 40, y.at(top * 0.98), x.at(0.0) + 1, y.at(top * 0.98),
                     "peak current, then cut-off",
                     anchor="start")  # fmt: skip
    middle = on * 0.45
    body += _pointer(x.at(on) + 60, y.at(top * 0.72), x.at(middle), y.at(_value_at(wave, middle)),
                     "ramp", anchor="end")  # fmt: skip
    body.append(svg.text(x.at(0.35), y.at(0) - 7, "zero: clamp zeroed", css="part"))
    title = "Coil current: dwell, ramp, peak current and cut-off"
    return svg.picture(body, width=WIDTH, height=242, key=key, title=title)


def _draw_crank(wave: Expected, key: str) -> str:
    """Draw a turn of the crank signal."""
    low, high = float(wave.y.min()), float(wave.y.max())
    room = 0.3 * (high - low)
    x = svg.make_scale(float(wave.x[0]), float(wave.x[-1]), LEFT, RIGHT)
    y = svg.make_scale(low - 0.08 * (high - low), high + room, 176.0, 16.0)
    x_words = "degrees of crank angle after the first tooth behind the gap"
    body = _frame(x, y, wave.unit, count=4, x_words=x_words)
    body.append(_trace(wave, x, y))
    gap = _find_gap(wave)
    if gap is not None:
        body += _bracket(x.at(gap[0]), x.at(gap[1]), 34.0, "")
        body.append(svg.text(x.at(gap[1]) + 6, 34, "gap of the wheel", css="part"))
        body.append(
            svg.text(x.at(200), 34, "one swing for each tooth", css="part", anchor="middle")
        )
    title = "Crank signal over a little more than one turn: teeth and gap"
    return svg.picture(body, width=WIDTH, height=212, key=key, title=title)


def _find_gap(wave: Expected) -> tuple[float, float] | None:
    """Find the longest stretch between rising crossings of the middle near the beginning."""
    middle = 0.5 * (float(wave.y.max()) + float(wave.y.min()))
    early = wave.x < 60.0
    above = wave.y[early] > middle
    rises = wave.x[early][1:][above[1:] & ~above[:-1]]
    if rises.size < 3:
        return None
    step = np.diff(rises)
    at = int(np.argmax(step))
    if step[at] < 1.4 * float(np.median(step)) or math.isnan(step[at]):
        return None
    return float(rises[at]), float(rises[at + 1])
