"""The fleet's document: vehicles by urgency, their recordings and trends, what failed and why."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from misfire import __version__
from misfire.fleet.urgency import CLASSES, Urgency, grade, pick_current
from misfire.fleet.wear import Trend, find_trends, order_rows, split_name
from misfire.report.summary import to_plain

SCHEMA = "misfire-fleet/1"
PLAN = CLASSES.index("plan")
REPORT = "report.html"

FIXES = {
    "job_card": "Correct the field of the job card that the reason names; then run again.",
    "no_card": "Write a job card (job.toml) that names the file, and put it beside the file.",
    "format": "Record or export the file again, or put it where the job card says it is.",
    "channel": "Correct the channels of the job card, or record the channel that is missing.",
    "align": "Record all channels with one instrument, or give `start_s` on the job card.",
    "cycle": "Check the crank wheel and the firing order on the job card; record longer, with the "
    "engine running.",
    "parameter": "Correct the value that the reason names; then run again.",
    "memory": "Shorten the recording, or allow more with --memory-gb and --retry.",
    "timeout": "Shorten the recording, or allow more with --time-limit and --retry.",
    "crash": "The file is put aside: it ended its process twice. Record or export it again; if "
    "memory ran short, use fewer --workers and --retry.",
    "fault": "The file is put aside: the program itself fails on it. Please report it, with the "
    "file; other recordings are not touched.",
    "io": "Check access to the file and the share it is on; then run again with --retry.",
    "changed": "Run again when the recording is complete.",
}
_FIX = "Follow the reason; then run again."


COLUMNS = (
    "rank",
    "vehicle",
    "urgency",
    "score",
    "recording",
    "recorded",
    "state",
    "verdict",
    "recording_urgency",
    "cylinders",
    "probability",
    "fault",
    "dtc",
    "misfires",
    "judged_firings",
    "share_200_rev",
    "share_1000_rev",
    "catalyst",
    "drift",
    "report",
    "error",
    "reason",
    "fix",
)
"""Columns of fleet.csv and fleet.parquet, in order."""


def build_fleet(
    judged: Sequence[dict[str, Any]],
    failed: Sequence[dict[str, Any]],
    *,
    copies: Sequence[tuple[str, str]] = (),
    blocked: Sequence[str] = (),
    open_count: int = 0,
    pipeline: str = "",
    model: str = "",
) -> dict[str, Any]:
    """Build the document of fleet.json.

    Parameters
    ----------
    judged : sequence of dict
        Digests with `name`, `folder` and `gone` (no longer in the folder).
    failed : sequence of dict
        `name`, `kind`, `code`, `message`.
    copies : sequence of (name, name of what it is a copy of)
    blocked : sequence of str
        Folders that could not be looked into, in words.
    open_count : int
        Recordings that are not judged yet.
    pipeline, model : str
        What the results rest on.

    Returns
    -------
    fleet : dict
        Plain values without times of the run: the same recordings give the same document,
        in whatever order they were judged.
    """
    of_vehicle: dict[str, list[dict[str, Any]]] = {}
    for row in sorted(judged, key=lambda r: split_name(r["name"])):
        of_vehicle.setdefault(row["vehicle"], []).append(row)
    ordered: list[dict[str, Any]] = []
    for rows in of_vehicle.values():
        seen: dict[str, dict[str, Any]] = {}
        for row in order_rows(rows):
            seen.setdefault(row["folder"], row)  # the same content counts once
        ordered += seen.values()
    trends: dict[str, list[Trend]] = {}
    for trend in find_trends(ordered):
        trends.setdefault(trend.vehicle, []).append(trend)
    vehicles = [
        _sum_vehicle(name, order_rows(rows), trends.get(name, []))
        for name, rows in of_vehicle.items()
    ]
    vehicles.sort(key=lambda v: (CLASSES.index(v["urgency"]), -v["score"], split_name(v["id"])))
    for rank, vehicle in enumerate(vehicles, 1):
        vehicle["rank"] = rank
    counted = {c: sum(v["urgency"] == c for v in vehicles) for c in CLASSES}
    verdicts = [row["verdict"] for row in judged]
    return {
        "schema": SCHEMA,
        "tool_version": __version__,
        "pipeline": pipeline,
        "model": model,
        "counts": {
            "vehicles": len(vehicles),
            "recordings": len(judged) + len(failed),
            "judged": len(judged),
            "failed": len(failed),
            "copies": len(copies),
            "open": open_count,
            "misfire": verdicts.count("misfire"),
            "no_misfire": verdicts.count("no_misfire"),
            "inconclusive": verdicts.count("inconclusive"),
            "urgency": counted,
            "tested": sum(len(t) for t in trends.values()),
            "drifts": sum(t.grade == "drift" for ts in trends.values() for t in ts),
        },
        "vehicles": vehicles,
        "failed": [
            {
                "name": row["name"],
                "code": row["code"],
                "reason": row["message"],
                "fix": FIXES.get(row["code"], _FIX),
            }
            for row in sorted(failed, key=lambda r: split_name(r["name"]))
        ],
        "copies": [{"name": a, "of": b} for a, b in sorted(copies)],
        "blocked": list(blocked),
    }


def list_rows(fleet: dict[str, Any]) -> list[dict[str, Any]]:
    """Give one flat row per recording, for tables: most urgent vehicle first, failed ones last.

    Parameters
    ----------
    fleet : dict

    Returns
    -------
    rows : list of dict
        All with the same keys, in order; what is not known is None.
    """
    rows: list[dict[str, Any]] = []
    for vehicle in fleet["vehicles"]:
        for r in vehicle["recordings"]:
            rows.append(
                {
                    "rank": vehicle["rank"],
                    "vehicle": vehicle["id"],
                    "urgency": vehicle["urgency"],
                    "score": vehicle["score"],
                    "recording": r["name"],
                    "recorded": r["recorded"],
                    "state": "judged",
                    "verdict": r["verdict"],
                    "recording_urgency": r["urgency"],
                    "cylinders": " ".join(map(str, r["cylinders"])),
                    "probability": r["probability"],
                    "fault": r["fault"],
                    "dtc": r["dtc"],
                    "misfires": r["misfires"],
                    "judged_firings": r["judged"],
                    "share_200_rev": r["share_200"],
                    "share_1000_rev": r["share_1000"],
                    "catalyst": r["catalyst"],
                    "drift": "; ".join(t["words"] for t in vehicle["trends"] if t["grade"]),
                    "report": r["report"],
                    "error": None,
                    "reason": None,
                    "fix": None,
                }
            )
    for failure in fleet["failed"]:
        row: dict[str, Any] = dict.fromkeys(COLUMNS)
        row |= {"recording": failure["name"], "state": "failed", "error": failure["code"]}
        row |= {"reason": failure["reason"], "fix": failure["fix"]}
        rows.append(row)
    return rows


def _sum_vehicle(
    name: str, rows: Sequence[dict[str, Any]], trends: Sequence[Trend]
) -> dict[str, Any]:
    """Sum up a vehicle: the most urgent of its current recordings speaks for it."""
    grades = [grade(row) for row in rows]
    current = pick_current([row["recorded"] for row in rows])
    worst = min(current, key=lambda i: (grades[i].rank, -grades[i].score, -i))
    row, urgency = rows[worst], grades[worst]
    told = [_tell_trend(t) for t in trends if t.grade]
    rank, reason = urgency.rank, urgency.reason
    drifts = [t for t in told if t["grade"] == "drift"]
    if drifts and rank > PLAN:
        rank, reason = PLAN, f"{drifts[0]['words']}; {reason}"
    earlier = [i for i in range(len(rows)) if i not in current and grades[i].rank < urgency.rank]
    return {
        "rank": 0,
        "id": name,
        "note": row["note"],
        "urgency": CLASSES[rank],
        "score": urgency.score,
        "catalyst": urgency.catalyst,
        "reason": reason,
        "verdict": row["verdict"],
        "cylinders": row["suspects"],
        "probability": row["probability"],
        "fault": row["fault"],
        "fault_probability": row["fault_probability"],
        "dtc": row["dtc"],
        "share_200": row["windows"]["200"]["share"],
        "share_1000": row["windows"]["1000"]["share"],
        "windows": row["windows"],
        "report": _link(row),
        "decided_by": row["name"],
        "worse_before": len(earlier),
        "evidence": row["evidence"],
        "next_tests": row["next_tests"],
        "notes": row["notes"],
        "quality": row["quality"],
        "ordered_by": "time" if all(r["recorded"] for r in rows) else "name",
        "recordings": [
            _sum_recording(r, g, now=i in current)
            for i, (r, g) in enumerate(zip(rows, grades, strict=True))
        ],
        "tested": len(trends),
        "trends": told,
    }


def _sum_recording(row: dict[str, Any], urgency: Urgency, *, now: bool) -> dict[str, Any]:
    """Sum up one recording for its vehicle."""
    return {
        "name": row["name"],
        "recorded": row["recorded"],
        "verdict": row["verdict"],
        "urgency": urgency.name,
        "catalyst": urgency.catalyst,
        "cylinders": row["suspects"],
        "probability": row["probability"],
        "fault": row["fault"],
        "dtc": row["dtc"],
        "misfires": row["misfires"],
        "judged": row["judged"],
        "share_200": row["windows"]["200"]["share"],
        "share_1000": row["windows"]["1000"]["share"],
        "report": _link(row),
        "current": now,
        "gone": row["gone"],
    }


def _link(row: dict[str, Any]) -> str:
    """Give the report's place from the fleet page; result folders have plain names."""
    return f"results/{row['folder']}/{REPORT}"


def _tell_trend(trend: Trend) -> dict[str, Any]:
    """Give a trend as plain values with a sentence."""
    what = {"burn_time_ms": "burn time", "peak_current_a": "peak current"}[trend.quantity]
    unit = trend.quantity.rsplit("_", 1)[1].replace("a", "A") if "peak" in trend.quantity else "ms"
    who = f"cylinder {trend.cylinder}" if trend.cylinder else "all cylinders"
    first, last = trend.values[0], trend.values[-1]
    words = f"{who}: {what} falls, {first:.2f} to {last:.2f} {unit}"
    words += f" over {len(trend.values)} recordings"
    if trend.reach == 0.0:
        words += f", at or below the limit of {trend.limit:.2f} {unit}"
    elif trend.reach is not None:
        ahead = max(1, round(trend.reach))
        words += f"; at this pace {trend.limit:.2f} {unit} in about {ahead} {trend.step}s"
        words = words.removesuffix("s") if ahead == 1 else words
    return {
        "cylinder": trend.cylinder,
        "quantity": trend.quantity,
        "unit": unit,
        "grade": trend.grade,
        "words": words,
        "relative": trend.relative,
        "n": len(trend.values),
        "tau": to_plain(trend.tau),
        "p": to_plain(trend.p),
        "q": to_plain(trend.q),
        "step": trend.step,
        "slope": to_plain(trend.slope),
        "slope_low": to_plain(trend.low),
        "slope_high": to_plain(trend.high),
        "limit": to_plain(trend.limit),
        "reach": to_plain(trend.reach),
        "names": list(trend.names),
        "times": to_plain(list(trend.times)),
        "values": to_plain(list(trend.values)),
    }
