"""The whole recording at a glance: a strip for paper, and packed arrays for the canvas."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING, Any

from misfire.records import Diagnosis
from misfire.report.pictures import svg
from misfire.report.pictures.packing import deflate
from misfire.report.summary import LOST
from misfire.report.wording import format_clock

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

STRIP_BINS = 600
SPEED_BINS = 6000
MAX_EVENTS = 60_000  # 4 bytes each, so 320 kB of text
JUDGED_NOT = 255  # probability byte of a firing that was not judged


def draw_strip(diagnosis: Diagnosis, *, width: int, key: str, css: str = "") -> str:
    """Draw speed and, for each cylinder, how many firings were lost in each piece of time.

    Parameters
    ----------
    diagnosis : Diagnosis
    width : int [unit=picture units]
    key : str
        Unique in the page.

    Returns
    -------
    picture : str
        One `svg` element.
    """
    import numpy as np

    left, right, row = 74.0, width - 8.0, 26.0
    x = svg.make_scale(0.0, max(diagnosis.duration_s, 1e-3), left, right)
    speed_s, low, high = bin_speed(diagnosis, bins=STRIP_BINS)
    body = [svg.text(2, 14, "rev/min")]
    top, bottom = 18.0, 84.0
    known = np.isfinite(high)
    if known.any():
        y = svg.make_scale(0.0, float(np.nanmax(high)) * 1.08, bottom, top)
        for tick in svg.find_ticks(y.low, y.high, count=3):
            body.append(svg.line(left, y.at(tick), right, y.at(tick), css="grid"))
            body.append(svg.text(left - 5, y.at(tick) + 4, svg.format_tick(tick), anchor="end"))
        px = x.places(speed_s)
        low, high = _join_steps(low, high)
        pieces = [
            f"M{a:.1f} {b:.1f}V{min(c, b - 0.8):.1f}"
            for a, b, c in zip(px[known], y.places(low[known]), y.places(high[known]), strict=True)
        ]
        body.append(f'<path class="speed" d="{"".join(pieces)}"/>')
    else:
        body.append(svg.text(left + 4, 50, "engine speed not known"))
    lost_s = _lost_times(diagnosis)
    numbers = sorted(c.cylinder for c in diagnosis.cylinders)
    edges = np.linspace(0, x.high, STRIP_BINS + 1)
    counts = {c: np.histogram(lost_s.get(c, ()), edges)[0] for c in numbers}
    most = max((int(n.max()) for n in counts.values()), default=0)
    step = (right - left) / STRIP_BINS
    at = bottom + 12
    body += _draw_marks(diagnosis, x, top, at + row * len(numbers))
    for number in numbers:
        base = at + row - 4
        body.append(svg.text(left - 5, base - 4, f"cylinder {number}", anchor="end"))
        body.append(svg.line(left, base, right, base, css="axis"))
        hit = np.flatnonzero(counts[number])
        if hit.size:
            tall = (row - 8) * (0.35 + 0.65 * counts[number][hit] / most)
            pieces = [
                f"M{left + (k + 0.5) * step:.1f} {base:.1f}v-{h:.1f}"
                for k, h in zip(hit.tolist(), tall.tolist(), strict=True)
            ]
            body.append(f'<path class="hits" d="{"".join(pieces)}"/>')
        at += row
    body += _clock_axis(x, at + 2, wide=width > 500)
    total = sum(int(n.sum()) for n in counts.values())
    title = f"Engine speed and {total} lost combustions of the whole recording, by cylinder"
    return svg.picture(body, width=width, height=at + 38, key=key, title=title, css=css)


def _draw_marks(diagnosis: Diagnosis, x: svg.Axis, top: float, bottom: float) -> list[str]:
    """Draw the marks of the job card with their numbers, as the table of marks has them."""
    body, free = [], -1.0
    for number, mark in enumerate(diagnosis.job.marks, start=1):
        if not 0 <= mark.time_s <= x.high:
            continue
        at = x.at(mark.time_s)
        body.append(f'<path class="noted" d="M{at:.1f} {top - 4:.0f}V{bottom:.0f}"/>')
        if at > free:  # numbers that would stand over one another are left out
            body.append(svg.text(at, top - 7, str(number), css="noted-name", anchor="middle"))
            free = at + 8.0 * len(str(number)) + 4
    return body


def pack_timeline(diagnosis: Diagnosis) -> dict[str, Any]:
    """Pack speed and firings for the canvas.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    data : dict
        `delta_ms` [uint16], `probability` [uint8, 0..254 for 0..1, 255 not judged] and `cylinder`
        [uint8, 0 only fills a pause over 65 s], each little-endian in base64; `row_step` [int32,
        compressed] is the step to the row in the events from that of the one before; `speed_low`
        and `speed_high` [uint16, rev/min, 65535 unknown] in equal pieces of time. At most 60 000
        firings, the most probable ones; `shown` and `total` say how many.
    """
    import numpy as np

    events = diagnosis.events
    time_s = events["time_s"].to_numpy(dtype=float)
    cylinder = events["cylinder"].to_numpy(dtype=float)
    probability = events["misfire_probability"].to_numpy(dtype=float)
    usable = np.flatnonzero(np.isfinite(time_s) & np.isfinite(cylinder) & (time_s >= 0))
    total = usable.size
    if total > MAX_EVENTS:
        weight = np.nan_to_num(probability[usable], nan=-1.0)
        usable = np.sort(usable[np.argsort(-weight, kind="stable")[:MAX_EVENTS]])
    usable = usable[np.argsort(time_s[usable], kind="stable")]
    at_ms = np.round(1000 * time_s[usable]).astype(np.int64)
    byte = np.full(usable.size, JUDGED_NOT, dtype=np.uint8)
    judged = np.isfinite(probability[usable])
    byte[judged] = np.round(254 * np.clip(probability[usable][judged], 0, 1)).astype(np.uint8)
    # rounding may not move a firing over the line between kept and lost
    lost = judged & (probability[usable] >= LOST)
    byte[lost] = np.maximum(byte[lost], 127)
    byte[judged & ~lost] = np.minimum(byte[judged & ~lost], 126)
    delta, owner = np.diff(at_ms, prepend=0), cylinder[usable].astype(np.uint8)
    row = np.diff(usable, prepend=0)
    delta, owner, byte, row = _split_pauses(delta, owner, byte, row)
    _, low, high = bin_speed(diagnosis, bins=SPEED_BINS)
    return {
        "duration": round(float(diagnosis.duration_s), 3),
        "cylinders": sorted(int(c.cylinder) for c in diagnosis.cylinders),
        "delta_ms": _encode(delta.astype("<u2")),
        "probability": _encode(byte),
        "cylinder": _encode(owner),
        "row_step": deflate(row.astype("<i4").tobytes()),
        "n_rows": len(events),
        "speed_low": _encode(_speed_words(low)),
        "speed_high": _encode(_speed_words(high)),
        "marks": [[round(m.time_s, 3), m.text] for m in diagnosis.job.marks],
        "shown": int(usable.size),
        "total": int(total),
    }


def bin_speed(
    diagnosis: Diagnosis, *, bins: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Give lowest and highest speed of equal pieces of time; NaN where it is not known.

    Parameters
    ----------
    diagnosis : Diagnosis
    bins : int [> 0]

    Returns
    -------
    middle_s, low_rpm, high_rpm : float64 array [shape=(n,), n <= bins]
    """
    import numpy as np

    time_s = np.asarray(diagnosis.rpm_s, dtype=float)
    rpm = np.asarray(diagnosis.rpm, dtype=float)
    good = np.isfinite(time_s) & np.isfinite(rpm)
    time_s, rpm = time_s[good], rpm[good]
    duration = max(float(diagnosis.duration_s), 1e-3)
    n = int(max(1, min(bins, time_s.size // 2)))
    index = np.clip((time_s / duration * n).astype(np.int64), 0, n - 1)
    low, high = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(low, index, rpm)
    np.maximum.at(high, index, rpm)
    empty = low > high
    low[empty] = high[empty] = np.nan
    return (np.arange(n) + 0.5) * duration / n, low, high


def _join_steps(
    low: NDArray[np.float64], high: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Stretch each piece to touch the one before, so that a sudden change is no gap."""
    import numpy as np

    joined_low, joined_high = low.copy(), high.copy()
    joined_low[1:] = np.fmin(low[1:], np.where(np.isfinite(low[1:]), high[:-1], np.nan))
    joined_high[1:] = np.fmax(high[1:], np.where(np.isfinite(high[1:]), low[:-1], np.nan))
    return joined_low, joined_high


def _lost_times(diagnosis: Diagnosis) -> dict[int, NDArray[np.float64]]:
    """Give the instants of the lost firings of each cylinder."""
    events = diagnosis.events
    lost = events.loc[
        (events["misfire_probability"] >= LOST) & events["cylinder"].notna(),
        ["cylinder", "time_s"],
    ]
    return {
        int(number): lost.loc[lost["cylinder"] == number, "time_s"].to_numpy(dtype=float)
        for number in lost["cylinder"].unique()
    }


def _clock_axis(x: svg.Axis, y: float, *, wide: bool) -> list[str]:
    """Draw a time axis in minutes and seconds."""
    steps = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 36000)
    most = 10 if wide else 5
    step = next((s for s in steps if x.high / s <= most), 86400)
    body = [svg.line(x.start, y, x.stop, y, css="axis")]
    for k in range(int(x.high / step) + 1):
        at = x.at(k * step)
        body.append(svg.line(at, y, at, y + 4, css="axis"))
        anchor = "end" if at > x.stop - 14 else "middle"
        body.append(svg.text(at, y + 17, format_clock(k * step), anchor=anchor))
    body.append(svg.text(x.stop, y + 32, "time in the recording, min:s", anchor="end"))
    return body


def _split_pauses(
    delta: NDArray[np.int64],
    owner: NDArray[np.uint8],
    byte: NDArray[np.uint8],
    row: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.uint8], NDArray[np.uint8], NDArray[np.int64]]:
    """Put fillers of cylinder 0 into pauses that do not fit 16 bits."""
    import numpy as np

    fillers = delta // 65535
    if not fillers.any():
        return delta, owner, byte, row
    times = fillers + 1
    last = np.cumsum(times) - 1
    size = int(times.sum())
    out_delta = np.full(size, 65535, dtype=np.int64)
    out_owner, out_byte = np.zeros(size, np.uint8), np.full(size, JUDGED_NOT, np.uint8)
    out_row = np.zeros(size, dtype=np.int64)
    out_delta[last] = delta - 65535 * fillers
    out_owner[last], out_byte[last], out_row[last] = owner, byte, row
    return out_delta, out_owner, out_byte, out_row


def _speed_words(rpm: NDArray[np.float64]) -> NDArray[np.uint16]:
    """Give speeds as 16-bit words; 65535 stands for not known."""
    import numpy as np

    return np.where(np.isfinite(rpm), np.clip(np.round(rpm), 0, 65534), 65535).astype("<u2")


def _encode(array: NDArray[Any]) -> str:
    """Give an array's bytes as base64 text."""
    return base64.b64encode(array.tobytes()).decode("ascii")
