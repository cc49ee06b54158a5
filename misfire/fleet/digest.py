"""The few numbers of one diagnosis that the fleet needs: shares in windows, medians, suspects."""

from __future__ import annotations

import tomllib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.chances import compute_wilson
from misfire.errors import JobCardError
from misfire.ingest.jobcard import format_recorded
from misfire.records import Diagnosis
from misfire.report.advice import next_tests
from misfire.report.summary import LOST, build_summary, to_plain
from misfire.report.wording import pick_suspects

SCHEMA = "misfire-digest/2"
WINDOWS_REV = (200, 1000)
"""Crank revolutions over which lost combustions are counted, for the catalyst and for emissions.

Source: 13 CCR 1968.2 (e)(3.2.1) and (3.2.2), from memory (high confidence); that reports are
updated every 200 and every 1000 revolutions was read in a maker's certification summary.
"""
WEAR = ("burn_time_ms", "peak_current_a")
_NOT_JUDGED = ("fuel_cut", "no_sync", "crank_gap", "edge")


def build_digest(diagnosis: Diagnosis) -> dict[str, Any]:
    """Sum up one diagnosis for the fleet.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    digest : dict
        Plain values; the same diagnosis gives the same.
    """
    events = diagnosis.events
    flags = events["flags"].astype(object)
    probability = events["misfire_probability"].to_numpy(dtype=float)
    unjudged = np.array(
        [isinstance(f, str) and not set(_NOT_JUDGED).isdisjoint(f.split()) for f in flags], bool
    )
    judged = np.isfinite(probability) & ~unjudged
    lost = judged & (np.nan_to_num(probability) >= LOST)
    cylinder = events["cylinder"].to_numpy(dtype=int)
    n_cylinders = diagnosis.job.engine.cylinders
    summary = build_summary(diagnosis)
    suspects = pick_suspects(diagnosis)
    top = summary["cylinders"][0] if summary["cylinders"] else None
    present = frozenset(c.role for c in diagnosis.job.channels)
    for_top = list(suspects[0].next_tests) if suspects else []
    if suspects and not for_top and suspects[0].faults:
        kind = max(suspects[0].faults, key=lambda item: item[1])[0]
        for_top = list(
            next_tests(
                kind,
                ignition=diagnosis.job.engine.ignition,
                channels_present=present,
                cylinder=suspects[0].cylinder,
                waste_pairs=diagnosis.job.engine.waste_pairs,
            )
        )
    good = judged & ~lost
    return {
        "schema": SCHEMA,
        "vehicle": diagnosis.vehicle,
        "note": diagnosis.note,
        "recorded": read_recorded(diagnosis.job.text),
        "verdict": diagnosis.verdict,
        "dtc": summary["recording_dtc"],
        "duration_s": summary["duration_s"],
        "cycles": diagnosis.cycles,
        "rpm": summary["rpm"]["median"],
        "suspects": [c.cylinder for c in suspects],
        "probability": 0.0 if top is None else top["probability"],
        "fault": top["faults"][0]["type"] if suspects and top and top["faults"] else None,
        "fault_probability": top["faults"][0]["probability"]
        if suspects and top and top["faults"]
        else None,
        "misfires": int(lost.sum()),
        "judged": int(judged.sum()),
        "windows": {
            str(n): count_windows(lost, judged, window=n * n_cylinders // 2) for n in WINDOWS_REV
        },
        "cylinders": [
            _sum_cylinder(diagnosis, number, (cylinder == number) & good)
            for number in range(1, n_cylinders + 1)
        ],
        "crank_fault": next(
            (f.message for f in diagnosis.findings if f.code == "crank_signal"), None
        ),
        "ailing": [f.message for f in diagnosis.findings if f.code == "ailing_spark"],
        "evidence": list(suspects[0].evidence) if suspects else [],
        "next_tests": for_top[:3],
        "notes": list(diagnosis.notes),
        "quality": [
            f"{f.channel}: {f.message}" if f.channel else f.message
            for f in diagnosis.findings
            if f.severity != "info"
        ],
    }


def count_windows(
    lost: NDArray[np.bool_], judged: NDArray[np.bool_], *, window: int
) -> dict[str, Any]:
    """Count lost combustions in successive windows of firings and keep the worst.

    Parameters
    ----------
    lost, judged : bool array [shape=(n_firings,)]
        In the order of firing; `lost` only where `judged`.
    window : int [> 0, unit=firings]
        Two revolutions of a four-stroke engine hold one firing of each cylinder.

    Returns
    -------
    worst : dict
        `share` of the judged firings lost in the worst window, with its 95 % interval `low`,
        `high`, the counts `lost` of `of`, whether the recording filled a window (`whole`), and
        `windows`, how many there were. The last window ends with the recording and overlaps the
        one before. Shares are None where nothing was judged.

    Notes
    -----
    A window in which less than half of the firings could be judged is passed over, unless all are
    like that.

    Examples
    --------
    >>> lost = np.arange(400) % 20 == 0
    >>> worst = count_windows(lost, np.ones(400, bool), window=400)
    >>> worst["lost"], worst["of"], worst["share"], worst["whole"]
    (20, 400, 0.05, True)
    """
    n = lost.size
    starts = list(range(0, max(n - window, 0) + 1, window))
    if n > window and starts[-1] + window < n:
        starts.append(n - window)
    found = [
        (int(lost[s : s + window].sum()), int(judged[s : s + window].sum())) for s in starts if n
    ]
    rich = [pair for pair in found if 2 * pair[1] >= min(window, n)] or found
    rich = [pair for pair in rich if pair[1]]
    if not rich:
        return {
            "share": None,
            "low": None,
            "high": None,
            "lost": 0,
            "of": 0,
            "whole": n >= window,
            "windows": len(found),
        }
    hits, trials = max(rich, key=lambda pair: (pair[0] / pair[1], pair[1]))
    low, high = compute_wilson(hits, trials)
    return {
        "share": to_plain(hits / trials),
        "low": to_plain(low),
        "high": to_plain(high),
        "lost": hits,
        "of": trials,
        "whole": n >= window,
        "windows": len(found),
    }


def read_recorded(text: str) -> str | None:
    """Give the time of recording that a job card tells, as ISO 8601 text.

    Parameters
    ----------
    text : TOML
        A job card; `vehicle.recorded` is a TOML date or date-time, or such a text in quotes.

    Returns
    -------
    recorded : str or None
        None where the card is silent.

    Raises
    ------
    JobCardError
        If it is no time.

    Examples
    --------
    >>> read_recorded('vehicle.recorded = 2026-03-01')
    '2026-03-01'
    """
    vehicle = tomllib.loads(text.replace("\r\n", "\n")).get("vehicle")
    value = vehicle.get("recorded") if isinstance(vehicle, dict) else None
    if value is None:
        return None
    try:
        return format_recorded(value)
    except ValueError:
        raise JobCardError(
            f"[vehicle] recorded: {value!r} is no time; write for example `recorded = "
            "2026-03-01T20:15:00`"
        ) from None


def _sum_cylinder(diagnosis: Diagnosis, number: int, good: NDArray[np.bool_]) -> dict[str, Any]:
    """Give a cylinder's probability and the medians of its good firings."""
    result = next((c for c in diagnosis.cylinders if c.cylinder == number), None)
    row: dict[str, Any] = {
        "cylinder": number,
        "probability": None if result is None else to_plain(float(result.probability)),
        "misfires": 0 if result is None else int(result.misfires),
        "cycles": 0 if result is None else int(result.cycles),
    }
    for name in WEAR:
        values = diagnosis.events[name].to_numpy(dtype=float)[good]
        values = values[np.isfinite(values)]
        row[name] = to_plain(float(np.median(values))) if values.size else None
    return row
