"""In which running conditions misfires come: speed, change of speed, load, time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from misfire.dsp.chances import compute_wilson
from misfire.limits import CRANKING_RPM
from misfire.records import Diagnosis
from misfire.report.occurrence import (
    Bout,
    SpeedBand,
    count_speed_bands,
    find_bouts,
)
from misfire.report.summary import LOST
from misfire.report.wording import format_clock, format_duration

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

PAUSE_S = 1.0  # misfires of one cylinder closer together than this are felt as one bout
FEWEST_BOUTS = 3  # firings lost in one bout are one incident: fewer say nothing about conditions
STEADY_RPM_S = 40.0  # a change slower than this is no more than the governor's hunting
SLOPE_SPAN_S = 1.0
LEAST_LOAD_SWING = 1.15  # of the usual firing voltage, below which load is not told
RARE = 0.01  # a silence less likely than this by chance is worth a sentence
PARTS = 6

Kinds = tuple[tuple[str, "NDArray[np.bool_]"], ...]  # a name, and which firings are of it


@dataclass(frozen=True, slots=True)
class Condition:
    """Firings of one cylinder judged, and lost, in one condition."""

    name: str
    judged: int
    lost: int


@dataclass(frozen=True, slots=True)
class ConditionGroup:
    """One way to part the recording, with what it says in words."""

    title: str
    conditions: tuple[Condition, ...]
    words: str = ""


def find_conditions(diagnosis: Diagnosis, cylinder: int) -> tuple[ConditionGroup, ...]:
    """Count a cylinder's judged and lost firings by speed, change of speed, load and time.

    Parameters
    ----------
    diagnosis : Diagnosis
    cylinder : int

    Returns
    -------
    groups : tuple of ConditionGroup
        Empty when nothing was judged or lost; a way to part that the recording does not allow is
        left out.
    """
    import numpy as np

    events = diagnosis.events
    mine = events[(events["cylinder"] == cylinder) & events["misfire_probability"].notna()]
    lost = (mine["misfire_probability"] >= LOST).to_numpy(dtype=bool)
    if not lost.any():
        return ()
    time_s = mine["time_s"].to_numpy(dtype=float)
    groups = [
        ConditionGroup(
            "Engine speed, rev/min",
            tuple(
                Condition(f"{b.low_rpm} to {b.high_rpm}", b.judged, b.lost)
                for b in find_speed_bands(diagnosis, cylinder)
            ),
        )
    ]
    if kinds := part_by_slope(diagnosis, time_s):
        groups.append(
            ConditionGroup(
                "Change of speed",
                _count(kinds, lost),
                f"Steady: less than {STEADY_RPM_S:.0f} rev/min each second.",
            )
        )
    if kinds := part_by_load(diagnosis, time_s):
        groups.append(
            ConditionGroup(
                "Load, judged by the firing voltage of good firings",
                _count(kinds, lost),
                "The firing voltage rises with the pressure in the cylinder, so with the load.",
            )
        )
    edges = np.linspace(0.0, max(diagnosis.duration_s, 1e-3), PARTS + 1)
    edges[-1] = np.inf
    parts = tuple(
        (
            f"{format_clock(a)} to {format_clock(min(b, diagnosis.duration_s))}",
            (time_s >= a) & (time_s < b),
        )
        for a, b in zip(edges[:-1], edges[1:], strict=True)
    )
    groups.append(
        ConditionGroup(
            "Time in the recording", _count(parts, lost), _describe_time(diagnosis, time_s[lost])
        )
    )
    return tuple(groups)


def find_speed_bands(diagnosis: Diagnosis, cylinder: int) -> tuple[SpeedBand, ...]:
    """Count a cylinder's judged and lost firings by engine speed."""
    events = diagnosis.events
    mine = events[(events["cylinder"] == cylinder) & events["misfire_probability"].notna()]
    return count_speed_bands(
        mine["rpm"].to_numpy(dtype=float),
        (mine["misfire_probability"] >= LOST).to_numpy(dtype=bool),
        time_s=mine["time_s"].to_numpy(dtype=float),
        pause_s=PAUSE_S,
    )


def part_by_slope(diagnosis: Diagnosis, time_s: NDArray[np.float64]) -> Kinds:
    """Part firings by how the speed changed; empty where that is unknown or always alike."""
    import numpy as np

    slope = find_slope(diagnosis, time_s)
    kinds = (
        ("slowing down", slope < -STEADY_RPM_S),
        ("steady", np.abs(slope) <= STEADY_RPM_S),
        ("speeding up", slope > STEADY_RPM_S),
    )
    return kinds if sum(bool(inside.any()) for _, inside in kinds) > 1 else ()


def part_by_load(diagnosis: Diagnosis, time_s: NDArray[np.float64]) -> Kinds:
    """Part firings into thirds of load; empty where the load is not told."""
    import numpy as np

    load = find_load(diagnosis, time_s)
    if np.isfinite(load).sum() < 30:
        return ()
    low, high = np.nanpercentile(load, [100 / 3, 200 / 3])
    return (
        ("lower third", load <= low),
        ("middle third", (load > low) & (load <= high)),
        ("upper third", load > high),
    )


def find_slope(diagnosis: Diagnosis, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the change of speed at instants [rev/min each second], over one second; NaN unknown."""
    import numpy as np

    at = np.asarray(diagnosis.rpm_s, dtype=float)
    rpm = np.asarray(diagnosis.rpm, dtype=float)
    good = np.isfinite(at) & np.isfinite(rpm)
    at, rpm = at[good], rpm[good]
    if at.size < 10 or at[-1] - at[0] < 3 * SLOPE_SPAN_S:
        return np.full(time_s.size, np.nan)
    # a mean over a third of the span, from running sums: single firings swing
    half = SLOPE_SPAN_S / 6
    total = np.concatenate(([0.0], np.cumsum(rpm)))

    def mean(around: NDArray[np.float64]) -> NDArray[np.float64]:
        a, b = np.searchsorted(at, around - half), np.searchsorted(at, around + half)
        count = b - a
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.where(count > 0, (total[b] - total[a]) / count, np.nan))

    return np.asarray(mean(time_s + SLOPE_SPAN_S / 2) - mean(time_s - SLOPE_SPAN_S / 2))


def find_load(diagnosis: Diagnosis, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give a measure of load at instants: the good firings' firing voltage within a second.

    Each cylinder's voltages are taken relative to its own median. All NaN where no firing voltage
    was measured or where it hardly changes.
    """
    import numpy as np

    events = diagnosis.events
    probability = events["misfire_probability"].to_numpy(dtype=float)
    voltage = events["firing_voltage_kv"].to_numpy(dtype=float)
    owner = events["cylinder"].to_numpy()
    clean = (events["flags"].fillna("") == "").to_numpy(dtype=bool)
    good = (probability < LOST) & np.isfinite(voltage) & (voltage > 0) & clean
    unknown = np.full(time_s.size, np.nan)
    if good.sum() < 60:
        return unknown
    relative = np.full(voltage.size, np.nan)
    for cylinder in np.unique(owner[good]):
        mine = good & (owner == cylinder)
        relative[mine] = voltage[mine] / np.median(voltage[mine])
    at, values = events["time_s"].to_numpy(dtype=float)[good], relative[good]
    starts = np.searchsorted(at, time_s - SLOPE_SPAN_S / 2)
    stops = np.searchsorted(at, time_s + SLOPE_SPAN_S / 2)
    load = np.full(time_s.size, np.nan)
    lengths = stops - starts
    for length in np.unique(lengths[lengths >= 3]):  # few differ; all of one length at once
        alike = lengths == length
        windows = np.lib.stride_tricks.sliding_window_view(values, length)
        load[alike] = np.median(windows[starts[alike]], axis=1)
    known = load[np.isfinite(load)]
    if known.size < 30:
        return unknown
    low, high = np.percentile(known, [10, 90])
    return load if high > LEAST_LOAD_SWING * low else unknown


def _count(kinds: Kinds, lost: NDArray[np.bool_]) -> tuple[Condition, ...]:
    """Count judged and lost firings of each kind."""
    return tuple(Condition(name, int(w.sum()), int((w & lost).sum())) for name, w in kinds)


def _describe_time(diagnosis: Diagnosis, lost_s: NDArray[np.float64]) -> str:
    """Say whether misfires keep to a part of the recording, and whether it holds a start."""
    import numpy as np

    duration = max(float(diagnosis.duration_s), 1e-3)
    bouts = find_bouts(np.sort(lost_s), pause_s=PAUSE_S)
    words = []
    early, late = find_silence(diagnosis, bouts)
    if early:
        words.append(
            f"None in the first {format_duration(bouts[0].start_s)}, which is not by chance: it "
            "comes with time, such as heat, or under a condition that came only later."
        )
    if late:
        words.append(
            f"None in the last {format_duration(duration - bouts[-1].stop_s)}, which is not by "
            "chance: it goes with time, such as cold, or under a condition that came only before."
        )
    if holds_start(diagnosis):
        words.append("The engine's start is in the recording.")
    else:
        words.append("The engine's start is not in the recording.")
    return " ".join(words)


def holds_start(diagnosis: Diagnosis) -> bool:
    """Tell whether the recording begins with a starter turning the engine."""
    import numpy as np

    speed = np.asarray(diagnosis.rpm, dtype=float)
    early = np.asarray(diagnosis.rpm_s, dtype=float) < 5.0
    first = speed[early & np.isfinite(speed)]
    return bool(first.size and float(first.min()) < CRANKING_RPM)


def find_silence(diagnosis: Diagnosis, bouts: tuple[Bout, ...]) -> tuple[bool, bool]:
    """Tell whether bouts leave the beginning or the end of the recording free by more than chance.

    Notes
    -----
    Bouts scattered evenly leave the first share s of the time free with a chance of (1 - s)^n.
    """
    duration = max(float(diagnosis.duration_s), 1e-3)
    before, after = bouts[0].start_s / duration, 1 - bouts[-1].stop_s / duration
    return (1 - before) ** len(bouts) < RARE, (1 - after) ** len(bouts) < RARE


def compute_share(condition: Condition) -> tuple[float, float, float]:
    """Give the lost share of a condition with its 95 per cent interval; NaN without a firing."""
    if not condition.judged:
        return float("nan"), float("nan"), float("nan")
    low, high = compute_wilson(condition.lost, condition.judged)
    return condition.lost / condition.judged, low, high
