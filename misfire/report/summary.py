"""The plain dictionary behind every report: the result.json of one diagnosis."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import PurePath
from typing import Any

from misfire import __version__
from misfire.errors import ParameterError
from misfire.records import CylinderResult, Diagnosis, Fault
from misfire.report.cardclaims import list_claims
from misfire.report.marks import lay_out_marks
from misfire.report.remedies import explain
from misfire.report.wording import LOST as LOST

SCHEMA = "misfire-result/1"
DTC_SOURCE = "worked out from this recording, not read from the vehicle"
SINGLE_PER_CENT = 90  # more than this share in one cylinder allows its own code


def format_dtc(cylinder: int | None) -> str:
    """Give the standard trouble code of a misfire.

    Parameters
    ----------
    cylinder : int or None [1..12]
        None stands for random or multiple cylinders.

    Returns
    -------
    code : str

    Raises
    ------
    ParameterError
        If there is no code for the cylinder.

    Notes
    -----
    Source: SAE J2012 / ISO 15031-6: P0300 random/multiple, P0301 to P0312 cylinders 1 to 12.

    Examples
    --------
    >>> format_dtc(3), format_dtc(None)
    ('P0303', 'P0300')
    """
    if cylinder is None:
        return "P0300"
    if not 1 <= cylinder <= 12:
        raise ParameterError(f"a misfire code exists for cylinders 1 to 12, got {cylinder}")
    return f"P{300 + cylinder:04d}"


def choose_recording_dtc(misfires: Mapping[int, int]) -> str | None:
    """Say which code one recording earns: that of a single cylinder, or multiple.

    Parameters
    ----------
    misfires : mapping of cylinder to number of lost combustions

    Returns
    -------
    code : str or None
        None when nothing was lost. The code of a cylinder when it alone has more than 90 per cent
        of the lost combustions, else P0300.

    Raises
    ------
    ParameterError
        If a count is negative or a cylinder has no code.

    Notes
    -----
    Source: 13 CCR 1968.2 (e)(3.1.3), 2007 text: with more than one cylinder the multiple code;
    with more than 90 per cent in one cylinder its own code may be stored instead; with two or
    more cylinders above 10 per cent each the multiple code must be stored. Where the single code
    "may" be stored, it is taken here, because it helps the repairer more.

    Examples
    --------
    >>> choose_recording_dtc({3: 91, 1: 9}), choose_recording_dtc({3: 90, 1: 10})
    ('P0303', 'P0300')
    """
    if any(count < 0 for count in misfires.values()):
        raise ParameterError("a number of misfires cannot be negative")
    total = sum(misfires.values())
    if total == 0:
        return None
    worst = max(misfires, key=lambda cylinder: (misfires[cylinder], -cylinder))
    alone = 100 * misfires[worst] > SINGLE_PER_CENT * total  # in whole numbers: 90 of 100 is not
    return format_dtc(worst if alone else None)


def build_summary(diagnosis: Diagnosis) -> dict[str, Any]:
    """Build the document of result.json.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    summary : dict
        Plain values only; what is not measurable is None.
    """
    import numpy as np

    speed = np.asarray(diagnosis.rpm, dtype=float)
    speed = speed[np.isfinite(speed)]
    rpm: dict[str, int | None] = dict.fromkeys(("min", "median", "max"))
    if speed.size:
        rpm = {
            "min": round(float(speed.min())),
            "median": round(float(np.median(speed))),
            "max": round(float(speed.max())),
        }
    ranked = sorted(diagnosis.cylinders, key=lambda c: c.rank)
    accused = diagnosis.verdict == "misfire"
    return {
        "schema": SCHEMA,
        "vehicle": diagnosis.vehicle,
        "note": diagnosis.note,
        "verdict": diagnosis.verdict,
        "recording_dtc": choose_recording_dtc({c.cylinder: c.misfires for c in ranked})
        if accused
        else None,
        "duration_s": to_plain(diagnosis.duration_s),
        "cycles": int(diagnosis.cycles),
        "events": len(diagnosis.events),
        "rpm": rpm,
        "cylinders": [
            {**_cylinder(c), "rests_on_card": list(list_claims(diagnosis.job, c.cylinder))}
            for c in ranked
        ],
        "quality": [
            {
                "channel": f.channel,
                "code": f.code,
                "severity": f.severity,
                "message": f.message,
                "consequence": explain(f)[0],
                "remedy": explain(f)[1],
            }
            for f in diagnosis.findings
        ],
        "notes": list(diagnosis.notes),
        "reasons": [
            {
                "code": r.code,
                "about": r.about,
                "log_odds": to_plain(r.log_odds),
                "text": r.text,
                "rows": to_plain(r.rows),
            }
            for r in diagnosis.reasons
        ],
        "witnesses": to_plain(diagnosis.witnesses),
        "sheet": {**asdict(diagnosis.job.sheet), "reported": diagnosis.reported},
        "marks": to_plain(lay_out_marks(diagnosis)),
        "dtc_source": DTC_SOURCE,
        "kv_estimated": diagnosis.job.engine.coil_turns_ratio is None,
        "source": PurePath(diagnosis.source).name,
        "source_sha256": diagnosis.sha256,
        "tool_version": __version__,
        "settings": to_plain(diagnosis.settings),
    }


def to_plain(value: Any) -> Any:
    """Turn a value into what JSON can hold; numbers keep six digits, NaN becomes None."""
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [to_plain(item) for item in value]
    if isinstance(value, set | frozenset):
        return sorted((to_plain(item) for item in value), key=str)
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    if hasattr(value, "tolist"):  # a numpy number or array
        return to_plain(value.tolist())
    return str(value)


def _cylinder(result: CylinderResult) -> dict[str, Any]:
    """Build the entry of one cylinder."""
    return {
        "cylinder": int(result.cylinder),
        "rank": int(result.rank),
        "probability": to_plain(float(result.probability)),
        "dtc": format_dtc(result.cylinder),
        "cycles": int(result.cycles),
        "misfires": int(result.misfires),
        "state": result.state,
        "table": to_plain(result.table),
        "misfire_rate": to_plain(result.misfires / result.cycles) if result.cycles else None,
        "faults": _faults(result.faults),
        "features": to_plain(result.features),
        "evidence": list(result.evidence),
        "next_tests": list(result.next_tests),
    }


def _faults(faults: tuple[Fault, ...]) -> list[dict[str, Any]]:
    """Round the fault probabilities to 1e-6 so that they still sum to 1; most likely first."""
    total = sum(p for _, p in faults)
    if not faults or not math.isfinite(total) or total <= 0:
        return []
    parts = sorted(faults, key=lambda item: -item[1])
    millionths = [round(1e6 * p / total) for _, p in parts]
    millionths[0] += 1_000_000 - sum(millionths)
    return [
        {"type": name, "probability": m / 1e6}
        for (name, _), m in zip(parts, millionths, strict=True)
    ]
