"""The picture of running conditions: where a cylinder fired well, and where it lost firings."""

from __future__ import annotations

from misfire.records import Diagnosis
from misfire.report.context import find_slope
from misfire.report.pictures import svg
from misfire.report.summary import LOST

COLUMNS, ROWS = 36, 18
MAX_MARKS = 250


def draw_operating(
    diagnosis: Diagnosis, cylinder: int, *, width: int, key: str, css: str = ""
) -> str:
    """Draw a cylinder's firings over speed and change of speed, the lost ones as triangles.

    Parameters
    ----------
    diagnosis : Diagnosis
    cylinder : int
    width : int [unit=picture units]
    key : str
        Unique in the page.

    Returns
    -------
    picture : str
        One `svg` element; empty where the speed or its change is not known.
    """
    import numpy as np

    events = diagnosis.events
    mine = events[(events["cylinder"] == cylinder) & events["misfire_probability"].notna()]
    rpm = mine["rpm"].to_numpy(dtype=float)
    slope = find_slope(diagnosis, mine["time_s"].to_numpy(dtype=float))
    lost = (mine["misfire_probability"] >= LOST).to_numpy(dtype=bool)
    known = np.isfinite(rpm) & np.isfinite(slope)
    if known.sum() < 10:
        return ""
    rpm, slope, lost = rpm[known], slope[known], lost[known]
    left, right, top, bottom = 58.0, width - 8.0, 26.0, 220.0
    x = svg.make_scale(float(rpm.min()), float(rpm.max()), left, right)
    reach = max(60.0, float(np.percentile(np.abs(slope), 99.5)))
    y = svg.make_scale(-reach, reach, bottom, top)
    body = [svg.text(2, 12, "change of speed, rev/min each second", css="name")]
    for tick in svg.find_ticks(y.low, y.high, count=5):
        body.append(svg.line(left, y.at(tick), right, y.at(tick), css="grid"))
        body.append(svg.text(left - 5, y.at(tick) + 4, svg.format_tick(tick), anchor="end"))
    cells, xs, ys = np.histogram2d(
        x.places(rpm),
        np.clip(y.places(slope), top + 0.01, bottom - 0.01),
        bins=(COLUMNS, ROWS),
        range=((left, right), (top, bottom)),
    )
    most = float(cells.max())
    wide, tall = xs[1] - xs[0], ys[1] - ys[0]
    for i, k in zip(*np.nonzero(cells), strict=True):
        size = 0.25 + 0.75 * float(np.sqrt(cells[i, k] / most))
        w, h = wide * size, tall * size
        body.append(
            svg.rect(
                float(xs[i] + (wide - w) / 2),
                float(ys[k] + (tall - h) / 2),
                float(w),
                float(h),
                css="crowd",
            )
        )
    hit = np.flatnonzero(lost)
    if hit.size > MAX_MARKS:
        hit = hit[np.linspace(0, hit.size - 1, MAX_MARKS).round().astype(int)]
    heights = np.clip(y.places(slope[hit]), top + 4, bottom) - 4
    shapes = [
        f"M{a:.1f} {b:.1f}l4 7h-8Z"
        for a, b in zip(x.places(rpm[hit]).tolist(), heights.tolist(), strict=True)
    ]
    if shapes:
        body.append(f'<path class="lost-mark" d="{"".join(shapes)}"/>')
    body.append(svg.line(left, bottom, right, bottom, css="axis"))
    for tick in svg.find_ticks(x.low, x.high, count=8 if width > 500 else 4):
        body.append(svg.line(x.at(tick), bottom, x.at(tick), bottom + 4, css="axis"))
        body.append(svg.text(x.at(tick), bottom + 17, svg.format_tick(tick), anchor="middle"))
    body.append(svg.text(right, bottom + 33, "engine speed, rev/min", anchor="end"))
    title = (
        f"Cylinder {cylinder}: {int(known.sum())} judged firings over engine speed and its change, "
        f"{int(lost.sum())} of them lost"
    )
    return svg.picture(body, width=width, height=bottom + 38, key=key, title=title, css=css)
