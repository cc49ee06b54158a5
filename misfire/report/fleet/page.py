"""The fleet as one HTML page that needs nothing else: ranking, filters, wear, failures."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from misfire.numerals import spell
from misfire.report.advice import cautions
from misfire.report.frame import fill_page, hash_script, read_part
from misfire.report.pictures.svg import (
    find_ticks,
    format_path,
    format_tick,
    line,
    make_scale,
    picture,
    rect,
    text,
)
from misfire.report.wording import FAULTS, begin_sentence, format_percent, name_fault

FIRST = 50  # vehicles that stand in the page itself, for readers without scripts
MOST_DRIFTS, MOST_COPIES = 40, 100
CLASS_WORDS = {
    "now": "catalyst at risk",
    "soon": "over the limits of the regulation",
    "plan": "misfire below the limits, or wear",
    "watch": "watch the spark",
    "unclear": "record again",
    "none": "no misfire found",
}
_COLUMNS = (
    ("rank", "Rank", True),
    ("urgency", "Class", False),
    ("id", "Vehicle", False),
    ("verdict", "Verdict", False),
    ("cylinders", "Cylinder", False),
    ("failure", "Likely fault", False),
    ("certainty", "Probability", True),
    ("short", "Lost / 200", True),
    ("long", "Lost / 1000", True),
    ("recordings", "Recordings", True),
    ("reason", "Why", False),
)


def format_fleet_page(fleet: dict[str, Any]) -> str:
    """Give the fleet page.

    Parameters
    ----------
    fleet : dict
        The document of fleet.json.

    Returns
    -------
    page : str
        No network request, no clock time: the same fleet gives the same page. All text from
        outside is escaped.
    """
    from markupsafe import Markup

    script = read_part("fleet/fleet.js")
    vehicles = fleet["vehicles"]
    drifts = [(v, t) for v in vehicles for t in v["trends"] if t["grade"] == "drift"]
    counts = fleet["counts"]
    context = dict(
        style=Markup(read_part("page.css", "fleet/fleet.css")),
        script=Markup(script),
        script_hash=hash_script(script),
        data=Markup(_pack(fleet)),
        headline=write_headline(counts),
        counts=counts,
        classes=[
            {"name": name, "count": counts["urgency"][name], "words": words}
            for name, words in CLASS_WORDS.items()
        ],
        columns=[{"key": k, "name": n, "number": m} for k, n, m in _COLUMNS],
        faults=[{"type": k, "name": name_fault(k)} for k in FAULTS],
        first=[_show(v) for v in vehicles[:FIRST]],
        rest=max(0, len(vehicles) - FIRST),
        drifts=[_show_drift(v, t, number) for number, (v, t) in enumerate(drifts[:MOST_DRIFTS])],
        drifts_left_out=max(0, len(drifts) - MOST_DRIFTS),
        failed=fleet["failed"],
        copies=fleet["copies"][:MOST_COPIES],
        copies_left_out=max(0, len(fleet["copies"]) - MOST_COPIES),
        blocked=fleet["blocked"],
        cautions=cautions(),
        version=fleet["tool_version"],
        pipeline=fleet["pipeline"],
        model=fleet["model"],
    )
    return fill_page("fleet/fleet.html.j2", context, keep_per_cent=False)


def write_headline(counts: dict[str, Any]) -> str:
    """Say the one thing the reader wants to know first.

    Parameters
    ----------
    counts : dict
        `vehicles`, `failed` and, in `urgency`, vehicles of each class.

    Examples
    --------
    >>> write_headline({"vehicles": 5, "failed": 0, "urgency": {"now": 1, "soon": 1}})
    '2 of 5 vehicles need attention, 1 of them now'
    """
    n, classes = counts["vehicles"], counts["urgency"]
    if n == 0:
        return "No vehicle could be judged"
    now, some = classes["now"], classes["now"] + classes["soon"]
    if some == 0:
        return f"None of {n} vehicles needs attention soon" if n > 1 else "The vehicle can wait"
    if n == 1:
        return "The vehicle needs attention" + (" now" if now else "")
    words = f"{some} of {n} vehicles " + ("needs" if some == 1 else "need") + " attention"
    if now == some:
        return f"{words} now"
    return f"{words}, {now} of them now" if now else words


def _pack(fleet: dict[str, Any]) -> str:
    """Write the vehicles as compact JSON that cannot end its script element; each text once."""
    places: dict[str, int] = {}

    def keep(items: list[str]) -> list[int]:
        return [places.setdefault(item, len(places)) for item in items]

    keys = [k for k, _, _ in _COLUMNS]
    keys += ["fault", "note", "report", "evidence", "tests", "notes", "quality", "trends"]
    keys += ["ordered"]
    vehicles = []
    for v in fleet["vehicles"]:
        recordings = [
            [r["name"], r["recorded"], r["verdict"], r["cylinders"], r["share_200"], r["report"]]
            + [int(r["current"]), int(r["gone"])]
            for r in v["recordings"]
        ]
        trends = [[_say(t), t["times"], t["values"], t["limit"]] for t in v["trends"]]
        reason = v["reason"]
        if v["worse_before"]:
            reason += "; it was worse at an earlier visit"
        vehicles.append(
            [v["rank"], v["urgency"], v["id"], v["verdict"], v["cylinders"]]
            + [name_fault(v["fault"]) if v["fault"] else "", v["probability"]]
            + [v["share_200"], v["share_1000"], recordings, reason, v["fault"], v["note"]]
            + [v["report"], keep(v["evidence"]), keep(v["next_tests"]), keep(v["notes"])]
            + [keep(v["quality"]), trends, v["ordered_by"]]
        )
    document = {
        "keys": keys,
        "classes": list(CLASS_WORDS),
        "texts": list(places),
        "vehicles": vehicles,
    }
    packed = json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return packed.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _say(trend: dict[str, Any]) -> str:
    """Tell a trend with its support."""
    sure = (
        "beyond chance, all tests of the fleet counted"
        if trend["grade"] == "drift"
        else "only a hint: one test of many, so it may be chance"
    )
    words: str = trend["words"]
    return f"{begin_sentence(words)}. Mann-Kendall p = {spell(trend['p'], 2)} ({sure})."


def _show(vehicle: dict[str, Any]) -> dict[str, Any]:
    """Lay out a row for readers without scripts."""
    return {
        **vehicle,
        "fault_name": name_fault(vehicle["fault"]) if vehicle["fault"] else "",
        "certainty": format_percent(vehicle["probability"]),
        "short": "–" if vehicle["share_200"] is None else format_percent(vehicle["share_200"]),
        "long": "–" if vehicle["share_1000"] is None else format_percent(vehicle["share_1000"]),
    }


def _show_drift(vehicle: dict[str, Any], trend: dict[str, Any], number: int) -> dict[str, Any]:
    """Lay out a drift with its picture."""
    from markupsafe import Markup

    who = f"cylinder {trend['cylinder']}" if trend["cylinder"] else "all cylinders"
    unit = f"{trend['unit']} a {trend['step']}"
    words = trend["words"].partition(": ")[2]
    return {
        "vehicle": vehicle["id"],
        "who": who,
        "words": f"{begin_sentence(words)}.",
        "slope": f"{spell(-trend['slope'], 3)} {unit}",
        "interval": f"{spell(-trend['slope_high'], 3)} to {spell(-trend['slope_low'], 3)}",
        "p": f"{spell(trend['p'], 2)}",
        "q": f"{spell(trend['q'], 2)}",
        "picture": Markup(draw_trend(trend, key=f"wear-{number}")),  # noqa: S704 - made here
    }


def draw_trend(trend: dict[str, Any], *, key: str) -> str:
    """Draw what was measured over time, and the limit.

    Parameters
    ----------
    trend : dict
        `times`, `values`, `limit`, `unit`, `step`, `words`.
    key : str
        Unique in the page.

    Returns
    -------
    svg : str
    """
    width, height, left, bottom = 360.0, 150.0, 40.0, 122.0
    times, values = np.array(trend["times"], float), np.array(trend["values"], float)
    low = min(float(values.min()), trend["limit"])
    high = max(float(values.max()), trend["limit"])
    pad = 0.08 * (high - low) or 0.1
    x = make_scale(float(times[0]), float(times[-1]), left, width - 8)
    y = make_scale(low - pad, high + pad, bottom, 8.0)
    body = []
    for tick in find_ticks(y.low, y.high, count=4):
        body.append(line(left, y.at(tick), width - 8, y.at(tick), css="grid"))
        body.append(text(left - 5, y.at(tick) + 4, format_tick(tick), anchor="end"))
    for tick in find_ticks(x.low, x.high, count=6):
        if trend["step"] == "day" or tick == round(tick):
            shown = tick if trend["step"] == "day" else tick + 1
            body.append(text(x.at(tick), bottom + 14, format_tick(shown), anchor="middle"))
    axis = "days since the first" if trend["step"] == "day" else "recording"
    body.append(text((left + width - 8) / 2, height - 2, axis, anchor="middle"))
    body.append(line(left, y.at(trend["limit"]), width - 8, y.at(trend["limit"]), css="mark-lost"))
    name = f"limit {trend['limit']:.2f} {trend['unit']}"
    body.append(text(width - 10, y.at(trend["limit"]) - 4, name, css="lost-words", anchor="end"))
    px, py = x.places(times), y.places(values)
    body.append(f'<path class="speed" d="{format_path(px, py)}"/>')
    body += [rect(a - 2.5, b - 2.5, 5, 5, css="bar") for a, b in zip(px, py, strict=True)]
    return picture(body, width=width, height=height, key=key, title=trend["words"])
