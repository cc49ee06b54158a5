"""Rows of the report's tables: the ranking, the speed bands, the worst firings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from misfire.records import BAD_SPARKS, CylinderResult, Diagnosis
from misfire.report.context import Condition, compute_share, find_conditions
from misfire.report.diagnosis.story import write_rate
from misfire.report.pictures.spread import compute_median
from misfire.report.summary import LOST, format_dtc
from misfire.report.wording import (
    Quantity,
    describe_certainty,
    describe_flags,
    format_clock,
    format_count,
    format_kind,
    format_percent,
    format_percent_range,
    format_value,
    is_bound,
    name_fault,
)

if TYPE_CHECKING:
    import pandas as pd

MAX_EVENTS = 50
IN_DOUBT = 0.1  # of a cylinder that was not seen; without a fault anywhere it has some 4 %


def build_rank_row(result: CylinderResult, *, suspect: bool) -> dict[str, Any]:
    """Give one row of the ranking."""
    faults = [
        f"{name_fault(kind)} {format_kind(p)}"
        for kind, p in sorted(result.faults, key=lambda item: -item[1])[:3]
        if p >= 0.1
    ]
    return {
        "suspect": suspect,
        "rank": result.rank,
        "cylinder": result.cylinder,
        "dtc": format_dtc(result.cylinder),
        "bar": round(100 * min(max(result.probability, 0.0), 1.0)),
        "probability": format_percent(result.probability),
        "words": describe_certainty(result.probability),
        "lost": f"{result.misfires} / {format_count(result.cycles)}",
        "rate": write_rate(result).replace("95 % interval ", ""),
        "faults": "; ".join(faults) if result.probability >= 0.2 else "–",
        "evidence": result.evidence,
    }


def build_condition_rows(diagnosis: Diagnosis, result: CylinderResult) -> list[dict[str, Any]]:
    """Give the groups of the table by running condition."""
    groups = find_conditions(diagnosis, result.cylinder)
    shares = [compute_share(c) for group in groups for c in group.conditions]
    most = max((high for _, _, high in shares if high == high), default=0.0)
    if most == 0:
        return []
    return [
        {
            "title": group.title,
            "words": group.words,
            "rows": [_condition_row(condition, most) for condition in group.conditions],
        }
        for group in groups
    ]


def _condition_row(condition: Condition, most: float) -> dict[str, Any]:
    """Give one condition with its share as a dot and its interval as a line, in per cent."""
    share, low, high = compute_share(condition)
    row = {"name": condition.name, "lost": condition.lost, "judged": format_count(condition.judged)}
    if not condition.judged:
        return row | {"rate": "–", "at": None, "low": 0, "high": 0}
    return row | {
        "rate": f"{format_percent(share)} ({format_percent_range(low, high)})",
        "at": round(100 * share / most, 1),
        "low": round(100 * low / most, 1),
        "high": round(100 * high / most, 1),
    }


def build_event_rows(diagnosis: Diagnosis, quantities: list[Quantity]) -> dict[str, Any]:
    """Give the rows of the worst firings in time order, and the usual values beside them."""
    events = diagnosis.events
    lost = events[events["misfire_probability"] >= LOST]
    worst = lost.sort_values(
        ["misfire_probability", "time_s"], ascending=[False, True], kind="stable"
    ).head(MAX_EVENTS)
    good = events[events["misfire_probability"] < LOST]
    rows = [
        {
            "row": number,
            "cells": _event_values(row, quantities),
            "flags": describe_flags(row["flags"]) if isinstance(row["flags"], str) else "",
        }
        for number, row in worst.sort_values("time_s", kind="stable").iterrows()
    ]
    usual = []
    if rows and len(good):
        columns = [("rpm", 0), *((q.column, q.decimals) for q in quantities)]
        usual = [
            format_value(compute_median(good[name].to_numpy(dtype=float)), decimals)
            for name, decimals in columns
        ]
    words = (
        f"The {len(rows)} most certain of {format_count(len(lost))} combustions judged lost, "
        "in time order."
        if len(lost) > len(rows)
        else f"All {len(rows)} combustions judged lost, in time order."
    )
    return {"events": rows, "usual": usual, "events_words": words}


def _event_values(row: pd.Series[Any], quantities: list[Quantity]) -> list[str]:
    """Give the cells of one firing."""
    time_s = float(row["time_s"])
    return [
        f"{format_clock(time_s)}.{int(100 * (time_s % 1)):02d}",
        format_value(float(row["cylinder"]), 0),
        format_percent(float(row["misfire_probability"])),
        format_value(float(row["rpm"]), 0),
        *(_event_value(row, q) for q in quantities),
    ]


def _event_value(row: pd.Series[Any], quantity: Quantity) -> str:
    """Give one measured value of a firing; where it is the least it can be, say so."""
    value = float(row[quantity.column])
    text = format_value(value, quantity.decimals)
    return f"over {text}" if is_bound(str(row["flags"]), quantity.column) and value > 0 else text


SPARK_WORDS = {
    "usual": "usual spark",
    "starved": "too little energy",
    "leaking": "leaking away",
    "strained": "late and short",
    "no_breakdown": "no breakdown",
    "not_switched": "not switched",
    "unseen": "spark not measured",
}
WORK_WORDS = {
    "done": "worked normally",
    "partial": "worked too little",
    "lost": "lost",
    "cut": "throttle closed",
    "unseen": "work not measured",
}


def build_state_rows(diagnosis: Diagnosis) -> dict[str, Any]:
    """Lay out what every cylinder's firings were: spark by work, as counts and as shares to draw.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    rows : dict
        `columns`: the sparks that any cylinder shows; `rows`: cylinder, its state in a word, and
        for every column its cells (words, count, width of a bar in per cent, whether odd). Empty
        where nothing was judged.
    """
    sparks = [s for s in SPARK_WORDS if any(s in c.table for c in diagnosis.cylinders)]
    rows = []
    for c in sorted(diagnosis.cylinders, key=lambda c: c.cylinder):
        total = sum(n for row in c.table.values() for n in row.values())
        cells = [
            [
                {
                    "words": WORK_WORDS[work],
                    "count": format_count(n),
                    "width": round(100.0 * n / max(total, 1), 1),
                    "odd": work == "lost" or (spark in BAD_SPARKS and c.state != "sound"),
                }
                for work, n in c.table.get(spark, {}).items()
            ]
            for spark in sparks
        ]
        state = "in doubt" if c.state == "unseen" and c.probability > IN_DOUBT else c.state
        if diagnosis.verdict == "inconclusive" and c.misfires:
            state = "open"  # what it lost is there, and nothing tells whose fault it is
        rows.append({"cylinder": c.cylinder, "state": state, "cells": cells})
    told = any(c.table for c in diagnosis.cylinders)
    return {
        "columns": [SPARK_WORDS[s] for s in sparks],
        "rows": rows if told else [],
    }
