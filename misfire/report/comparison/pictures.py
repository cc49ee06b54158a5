"""Pictures of a comparison: rates with their intervals, measured quantities before and after."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from misfire.report.pictures import svg
from misfire.report.wording import Quantity, format_percent, format_value

ROW = 46.0


def draw_rates(
    cylinders: Sequence[Mapping[str, Any]], *, width: int, key: str, css: str = ""
) -> str:
    """Draw the share of lost firings of each cylinder, before above after, with intervals.

    Parameters
    ----------
    cylinders : sequence of mappings
        Entries of compare.json.
    width : int [unit=picture units]
    key : str
        Unique in the page.
    css : str
        Class of the picture: "wide" or "narrow" where both are in the page.

    Returns
    -------
    picture : str
        One `svg` element; empty when nothing was judged.
    """
    rows = [c for c in cylinders if c["before"]["judged"] or c["after"]["judged"]]
    if not rows:
        return ""
    ends = [c[s]["high"] for c in rows for s in ("before", "after") if c[s]["high"] is not None]
    left, right, top = 96.0, width - (92.0 if width > 500 else 72.0), 10.0
    bottom = top + ROW * len(rows)
    x = svg.make_scale(0.0, 100 * min(1.0, max(ends) * 1.04), left, right)
    body = []
    for tick in svg.find_ticks(x.low, x.high, count=6 if width > 500 else 4):
        body.append(svg.line(x.at(tick), top, x.at(tick), bottom, css="grid"))
        body.append(svg.text(x.at(tick), bottom + 16, svg.format_tick(tick), anchor="middle"))
    body.append(svg.text((left + right) / 2, bottom + 33, "lost firings, %", anchor="middle"))
    spoken = []
    for k, entry in enumerate(rows):
        y = top + ROW * (k + 0.5)
        marked = entry["suspect"] or entry["new_fault"]
        body.append(svg.line(0, y + ROW / 2, width, y + ROW / 2, css="grid"))
        name = f"{'◆ ' if marked else ''}cylinder {entry['cylinder']}"
        body.append(svg.text(2, y + 4, name, css="lost-words" if marked else "name"))
        for side, at in (("before", y - 9), ("after", y + 9)):
            body += _draw_interval(entry[side], x, at, after=side == "after")
        spoken.append(
            f"cylinder {entry['cylinder']}: {_say(entry['before'])} before, "
            f"{_say(entry['after'])} after"
        )
    title = "Share of lost firings before and after. " + "; ".join(spoken)
    return svg.picture(body, width=width, height=bottom + 40, key=key, title=title, css=css)


def _draw_interval(part: Mapping[str, Any], x: svg.Axis, at: float, *, after: bool) -> list[str]:
    """Draw one share as a mark on its interval; before hollow, after filled."""
    if not part["judged"]:
        return [svg.text(x.start + 4, at + 4, "not judged")]
    low, high, here = (x.at(100 * part[name]) for name in ("low", "high", "rate"))
    kind = "after" if after else "before"
    body = [svg.line(low, at, high, at, css=f"span-{kind}")]
    if after:
        body.append(f'<path class="mark-after" d="M{here:.1f} {at - 5:.1f}l5 5l-5 5l-5 -5Z"/>')
    else:
        body.append(f'<circle class="mark-before" cx="{here:.1f}" cy="{at:.1f}" r="4"/>')
    words = f"{part['lost']} / {part['judged']}"
    body.append(svg.text(max(high, here + 5) + 6, at + 4, words))
    return body


def _say(part: Mapping[str, Any]) -> str:
    """Say one share."""
    return format_percent(part["rate"]) if part["judged"] else "not judged"


def draw_feature(
    cylinders: Sequence[Mapping[str, Any]], quantity: Quantity, *, key: str, width: int = 330
) -> str:
    """Draw the median of one quantity in each cylinder, before and after.

    Parameters
    ----------
    cylinders : sequence of mappings
        Entries of compare.json.
    quantity : Quantity
    key : str
        Unique in the page.
    width : int [unit=picture units]

    Returns
    -------
    picture : str
        One `svg` element; empty when it was not measured on both sides of any cylinder.
    """
    found = []
    for entry in cylinders:
        feature = next((f for f in entry["features"] if f["quantity"] == quantity.column), None)
        if feature is not None and feature["before"] is not None and feature["after"] is not None:
            found.append((entry, feature))
    if not found:
        return ""
    values = [v for _, f in found for v in (f["before"], f["after"])]
    low, high = min(values), max(values)
    # a change of a few per mille must not fill the picture
    least = 0.2 * max(abs(low), abs(high))
    if high - low < least:
        middle = (low + high) / 2
        low, high = middle - least / 2, middle + least / 2
    if 0 < low < 0.6 * high:
        low = 0.0
    pad = 0.12 * (high - low) or 0.5
    left, right, top, bottom = 50.0, width - 6.0, 24.0, 160.0
    y = svg.make_scale(low - pad if low else 0.0, high + pad, bottom, top)
    body = [svg.text(2, 12, f"{quantity.label} ({quantity.unit})", css="name")]
    for tick in svg.find_ticks(y.low, y.high, count=5):
        body.append(svg.line(left, y.at(tick), right, y.at(tick), css="grid"))
        body.append(svg.text(left - 5, y.at(tick) + 4, svg.format_tick(tick), anchor="end"))
    step = (right - left) / len(found)
    spoken = []
    for k, (entry, feature) in enumerate(found):
        at = left + (k + 0.5) * step
        a, b = y.at(feature["before"]), y.at(feature["after"])
        reach = min(9.0, step / 4)
        body.append(svg.line(at - reach, a, at + reach, b, css="span-after"))
        body.append(f'<circle class="mark-before" cx="{at - reach:.1f}" cy="{a:.1f}" r="4"/>')
        body.append(f'<path class="mark-after" d="M{at + reach:.1f} {b - 5:.1f}l5 5l-5 5l-5 -5Z"/>')
        kind = "lost-words" if entry["suspect"] or entry["new_fault"] else ""
        label = str(entry["cylinder"])
        body.append(svg.text(at, bottom + 16, label, css=kind, anchor="middle"))
        spoken.append(
            f"cylinder {label}: {format_value(feature['before'], quantity.decimals)} before, "
            f"{format_value(feature['after'], quantity.decimals)} after"
        )
    body.append(svg.text((left + right) / 2, bottom + 32, "cylinder", anchor="middle"))
    title = f"{quantity.label} in {quantity.unit}. {'; '.join(spoken)}"
    return svg.picture(body, width=width, height=bottom + 38, key=key, title=title)
