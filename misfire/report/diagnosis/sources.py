"""Where the numbers of page one come from: the rows of events.parquet behind each of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from misfire.dsp.chances import compute_wilson, find_rarest
from misfire.records import CylinderResult, Diagnosis, WaveformPanel
from misfire.report.circumstances import (
    find_largest,
    find_range,
    find_span,
    gather_lost,
    pick_band,
)
from misfire.report.context import PAUSE_S, find_speed_bands
from misfire.report.judgedtime import compute_unjudged, describe_unjudged, is_only_cranked
from misfire.report.marks import NEAR_S, weigh_marks
from misfire.report.pictures.spread import split_values
from misfire.report.pictures.waveforms import MAX_LINES, Marks
from misfire.report.summary import LOST
from misfire.report.wording import (
    format_clock,
    format_count,
    format_duration,
    format_kind,
    format_percent,
    format_percent_range,
    format_value,
    pick_suspects,
)

if TYPE_CHECKING:
    import pandas as pd

MAX_ROWS = 400  # row numbers listed in the page
NOT_CUT = 'not flags.str.contains("fuel_cut")'


@dataclass(frozen=True, slots=True)
class PageNumber:
    """One number of page one: the text it has there, what it is, its rows and how it is made.

    `rows` is a condition on events.parquet as `pandas.DataFrame.query` takes it, "" for none.
    """

    number: str
    meaning: str
    rows: str
    how: str


def list_sources(
    diagnosis: Diagnosis, *, panel: WaveformPanel | None, marks: Marks
) -> tuple[PageNumber, ...]:
    """List the numbers of page one with their rows.

    Parameters
    ----------
    diagnosis : Diagnosis
    panel : WaveformPanel, optional
        The waveform shown on page one.
    marks : Marks
        The medians written into that picture.

    Returns
    -------
    sources : tuple of PageNumber
        In the order of the page. `how` starts with one of: count, share, interval, one in, bouts,
        largest bout, first, last, start, span, speed band, median, model, length, rest, least seen.
    """
    events = diagnosis.events
    found = [
        PageNumber(format_duration(diagnosis.duration_s), "length of the recording", "", "length"),
        PageNumber(format_count(len(events)), "firings expected", "index >= 0", "count"),
    ]
    suspects = pick_suspects(diagnosis) if diagnosis.verdict == "misfire" else ()
    if suspects:
        for c in suspects[:3]:
            found += _count_sources(c)
        others = [c.cylinder for c in diagnosis.cylinders if c not in suspects]
        if others:
            found += _other_sources(diagnosis, others)
        found += _time_sources(diagnosis, suspects)
        found += _speed_sources(diagnosis, suspects[0].cylinder)
        found += _fault_sources(suspects[0])
        found += [_certainty(c) for c in suspects]
        rest = [c for c in diagnosis.cylinders if c not in suspects]
        if rest:
            found.append(_certainty(max(rest, key=lambda c: c.probability)))
    elif diagnosis.verdict == "no_misfire":
        found += _quiet_sources(diagnosis)
    elif diagnosis.cylinders:
        found += _open_sources(max(diagnosis.cylinders, key=lambda c: c.probability))
    if diagnosis.verdict != "misfire":
        found += _covered_sources(diagnosis)
    if describe_unjudged(diagnosis):
        found.append(_unjudged_source(diagnosis))
    found += _mark_sources(diagnosis)
    if panel is not None:
        found += _picture_sources(diagnosis, panel, marks)
    return tuple(dict.fromkeys(found))


def _unjudged_source(diagnosis: Diagnosis) -> PageNumber:
    """Say where the time without a judged firing comes from."""
    return PageNumber(
        format_duration(compute_unjudged(diagnosis)),
        "time in which no firing was judged",
        "misfire_probability >= 0 and rpm > 0",
        "rest: duration_s - sum of 120 / (rpm * cylinders)",
    )


def _mark_sources(diagnosis: Diagnosis) -> list[PageNumber]:
    """Numbers of the marks; a loss near two of them counts for both."""
    weighed, kinds = weigh_marks(diagnosis)
    found = []
    for kind in kinds[:3]:
        at = [m.time_s for m in weighed if m.text == kind.text]
        near = " or ".join(f"{t - NEAR_S:.6g} <= time_s <= {t + NEAR_S:.6g}" for t in at[:20])
        rows = f"misfire_probability >= {LOST} and ({near})"
        about = f"marks “{kind.text}”"
        found += [
            PageNumber(str(kind.lost), f"combustions lost near the {about}", rows, "count"),
            PageNumber(f"{kind.hits} of {kind.marks}", f"{about} with a loss near", rows, "marks"),
            PageNumber(
                format_percent(kind.chance), f"chance of that, {about}", "", "marks: result.json"
            ),
        ]
    return found


def _lost(cylinders: int | list[int]) -> str:
    """Condition for the lost firings of one or some cylinders."""
    return f"{_of(cylinders)} and misfire_probability >= {LOST}"


def _judged(cylinders: int | list[int]) -> str:
    """Condition for the judged firings of one or some cylinders; a blank is not >= 0."""
    return f"{_of(cylinders)} and misfire_probability >= 0"


def _good(cylinder: int) -> str:
    """Condition for the good firings of a cylinder, as the medians take them."""
    return f"cylinder == {cylinder} and misfire_probability < {LOST} and {NOT_CUT}"


def _of(cylinders: int | list[int]) -> str:
    """Condition for the rows of one or some cylinders."""
    return f"cylinder == {cylinders}" if isinstance(cylinders, int) else f"cylinder in {cylinders}"


def _count_sources(result: CylinderResult) -> list[PageNumber]:
    """How often one cylinder lost its combustion."""
    c, lost, judged = result.cylinder, result.misfires, result.cycles
    found = [
        PageNumber(str(lost), f"combustions lost, cylinder {c}", _lost(c), "count"),
        PageNumber(format_count(judged), f"firings judged, cylinder {c}", _judged(c), "count"),
    ]
    if lost and judged:
        found.append(
            PageNumber(
                f"1 in {max(1, round(judged / lost))}",
                f"firings for each lost one, cylinder {c}",
                _judged(c),
                f"one in: rows over those with misfire_probability >= {LOST}",
            )
        )
    if judged:
        low, high = compute_wilson(lost, judged)
        found += [
            PageNumber(
                format_percent(lost / judged),
                f"share lost, cylinder {c}",
                _judged(c),
                f"share of rows with misfire_probability >= {LOST}",
            ),
            PageNumber(
                format_percent_range(low, high),
                f"its 95 % interval, cylinder {c}",
                _judged(c),
                f"interval (Wilson) of the share with misfire_probability >= {LOST}",
            ),
        ]
    return found


def _other_sources(diagnosis: Diagnosis, others: list[int]) -> list[PageNumber]:
    """How often the others lost theirs."""
    results = [c for c in diagnosis.cylinders if c.cylinder in others]
    ordered = sorted(others)
    return [
        PageNumber(
            str(sum(c.misfires for c in results)),
            "combustions lost, other cylinders",
            _lost(ordered),
            "count",
        ),
        PageNumber(
            format_count(sum(c.cycles for c in results)),
            "firings judged, other cylinders",
            _judged(ordered),
            "count",
        ),
    ]


def _time_sources(diagnosis: Diagnosis, suspects: tuple[CylinderResult, ...]) -> list[PageNumber]:
    """When they came, and at which speeds."""
    numbers = [c.cylinder for c in suspects]
    whose = numbers if len(numbers) > 1 else numbers[0]
    rows, judged = _lost(whose), _judged(whose)
    firings = gather_lost(diagnosis, numbers)
    lost_s, bouts = firings.time_s[firings.lost], firings.bouts
    if not bouts:
        return []
    pause = f"bouts: pauses over {PAUSE_S:g} s part them"
    found = [
        PageNumber(
            format_clock(float(lost_s[0])), "first lost combustion", rows, "first of time_s"
        ),
        PageNumber(format_clock(float(lost_s[-1])), "last lost combustion", rows, "last of time_s"),
        PageNumber(str(len(bouts)), "bouts of lost combustions", rows, pause),
    ]
    for of, chosen, where in (
        ("lost", firings.rpm[firings.lost], rows),
        ("all", firings.rpm, judged),
    ):
        limits = find_range(chosen)
        if limits is not None:
            found += [
                PageNumber(
                    str(limits[0]), f"lowest speed, {of} firings, rev/min", where, "min: rpm"
                ),
                PageNumber(
                    str(limits[1]), f"highest speed, {of} firings, rev/min", where, "max: rpm"
                ),
            ]
    largest = find_largest(bouts, int(lost_s.size))
    if largest is not None:
        found += [
            PageNumber(
                format_clock(largest.start_s), "start of the largest", rows, f"start; {pause}"
            ),
            PageNumber(
                str(largest.count), "lost in the largest bout", rows, f"largest bout; {pause}"
            ),
            PageNumber(find_span(largest), "length of the largest bout", rows, f"span; {pause}"),
        ]
    return found


def _speed_sources(diagnosis: Diagnosis, cylinder: int) -> list[PageNumber]:
    """At which speed most came, where that is clear."""
    bands = find_speed_bands(diagnosis, cylinder)
    worst = pick_band(bands)
    if worst is None:
        return []
    inside = f"rpm >= {worst.low_rpm} and rpm < {worst.high_rpm}"
    rest_lost = sum(b.lost for b in bands) - worst.lost
    rest_judged = sum(b.judged for b in bands) - worst.judged
    how = f"share of rows with misfire_probability >= {LOST}"
    return [
        PageNumber(
            f"{worst.low_rpm} to {worst.high_rpm}",
            "the speed band with most, rev/min",
            _judged(cylinder),
            "speed band of the highest lower limit of its lost share",
        ),
        PageNumber(
            str(worst.lost), "lost in this band", f"{_lost(cylinder)} and {inside}", "count"
        ),
        PageNumber(
            format_count(worst.judged),
            "judged in this band",
            f"{_judged(cylinder)} and {inside}",
            "count",
        ),
        PageNumber(
            format_percent(worst.lost / worst.judged),
            "share lost in this band",
            f"{_judged(cylinder)} and {inside}",
            how,
        ),
        PageNumber(
            format_percent(rest_lost / rest_judged),
            "share lost at other speeds",
            f"{_judged(cylinder)} and rpm >= 0 and not ({inside})",
            how,
        ),
    ]


def _fault_sources(result: CylinderResult) -> list[PageNumber]:
    """How likely the kinds of fault are."""
    faults = sorted(result.faults, key=lambda item: -item[1])[:3]
    return [
        PageNumber(
            format_kind(p),
            f"share of {kind}, cylinder {result.cylinder}",
            _judged(result.cylinder),
            f"model: fault {kind} of cylinder {result.cylinder} in result.json",
        )
        for kind, p in faults
    ]


def _certainty(result: CylinderResult) -> PageNumber:
    """How likely a cylinder is faulty."""
    return PageNumber(
        format_percent(result.probability),
        f"probability that cylinder {result.cylinder} is faulty",
        _judged(result.cylinder),
        f"model: probability of cylinder {result.cylinder} in result.json",
    )


def _quiet_sources(diagnosis: Diagnosis) -> list[PageNumber]:
    """Numbers of a page that found no misfire."""
    numbers = sorted(c.cylinder for c in diagnosis.cylinders)
    lost = sum(c.misfires for c in diagnosis.cylinders)
    found = [
        PageNumber(
            format_count(sum(c.cycles for c in diagnosis.cylinders)),
            "firings judged",
            _judged(numbers),
            "count",
        ),
        PageNumber(str(lost or "None"), "combustions judged lost", _lost(numbers), "count"),
    ]
    if diagnosis.cylinders:
        found.append(_certainty(max(diagnosis.cylinders, key=lambda c: c.probability)))
    fewest = min(diagnosis.cylinders, key=lambda c: c.cycles, default=None)
    ran = not is_only_cranked(diagnosis.rpm)
    if fewest is not None and fewest.cycles and not lost and ran:
        rows = _judged(fewest.cylinder)
        found += [
            PageNumber(
                format_count(fewest.cycles),
                f"firings judged, cylinder {fewest.cylinder}",
                rows,
                "count",
            ),
            PageNumber(
                f"1 in {format_count(find_rarest(fewest.cycles))}",
                "the rarest fault that would have shown",
                rows,
                "least seen: 1 / (1 - 0.05 ^ (1 / rows)), binomial",
            ),
        ]
    return found


def _open_sources(result: CylinderResult) -> list[PageNumber]:
    """Numbers of a page that leaves it open."""
    return [_certainty(result), *_count_sources(result)[:2]]


def _covered_sources(diagnosis: Diagnosis) -> list[PageNumber]:
    """List what the recording covers."""
    import numpy as np

    found = [
        PageNumber(
            format_count(diagnosis.cycles),
            "engine cycles",
            "index >= 0",
            "distinct values of cycle",
        )
    ]
    speed = np.asarray(diagnosis.rpm, dtype=float)
    speed = speed[np.isfinite(speed)]
    if speed.size:
        found += [
            PageNumber(
                str(round(float(speed.min()))), "lowest speed, rev/min", "rpm > 0", "min: rpm"
            ),
            PageNumber(
                str(round(float(speed.max()))), "highest speed, rev/min", "rpm > 0", "max: rpm"
            ),
        ]
    return found


def _picture_sources(diagnosis: Diagnosis, panel: WaveformPanel, marks: Marks) -> list[PageNumber]:
    """Numbers written into the waveform picture and its caption."""
    c = panel.cylinder
    times = [float(t) for t in panel.suspect_time_s[:MAX_LINES]]
    found = []
    if times:
        rows = find_rows(diagnosis, times)
        condition = f"index in {rows}"
        found = [
            PageNumber(str(len(times)), "firings drawn", condition, "count"),
            PageNumber(format_clock(min(times)), "first of them", condition, "first of time_s"),
            PageNumber(format_clock(max(times)), "last of them", condition, "last of time_s"),
        ]
    for value, decimals, unit, column, lost in (
        (marks.burn_good_ms, 2, "ms", "burn_time_ms", False),
        (marks.burn_lost_ms, 2, "ms", "burn_time_ms", True),
        (marks.kick_good_v, 0, "V", "primary_peak_v", False),
        (marks.kick_lost_v, 0, "V", "primary_peak_v", True),
    ):
        if not math.isfinite(value):
            continue
        own = next(s for s in split_values(diagnosis, column) if s.cylinder == c)
        if lost:
            rows_text = f"{_lost(c)} and {NOT_CUT}"
        elif own.good.size >= 5:
            rows_text = _good(c)
        else:
            rows_text = f"cylinder != {c} and misfire_probability < {LOST} and {NOT_CUT}"
        found.append(
            PageNumber(
                f"{format_value(value, decimals)} {unit}",
                f"{column}, {'lost' if lost else 'good'} firings",
                rows_text,
                f"median: {column}",
            )
        )
    return found


def find_rows(diagnosis: Diagnosis, times_s: list[float]) -> list[int]:
    """Give the rows whose instants are nearest to some instants."""
    import numpy as np

    at = diagnosis.events["time_s"].to_numpy(dtype=float)
    if not at.size:
        return []
    return sorted({int(np.nanargmin(np.abs(at - t))) for t in times_s})


def list_lost_rows(events: pd.DataFrame, cylinder: int) -> tuple[list[int], int]:
    """Give the row numbers of a cylinder's lost firings, as many as are listed, and their count."""
    import numpy as np

    lost = (events["cylinder"] == cylinder) & (events["misfire_probability"] >= LOST)
    rows = np.flatnonzero(lost.to_numpy(dtype=bool))
    return rows[:MAX_ROWS].tolist(), int(rows.size)
