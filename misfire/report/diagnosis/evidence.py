"""Evidence in words: which firings, which values, against which reference."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.limits import ODD_STEP_A
from misfire.report.wording import (
    ODD_SPARKS,
    SPARK_QUANTITIES,
    Quantity,
    format_value,
    is_bound,
)

if TYPE_CHECKING:
    import pandas as pd

FEW_ODD = 0.02  # of a cylinder's firings with an odd spark: fewer are not worth a sentence
MOSTLY = 0.9  # of the lost firings had a usual spark: worth a sentence
LEAST_TOLD = 12  # firings of each plug of a pair whose voltage is known
PLUGS_ERROR, LEAST_APART = 0.02, 0.1  # log: what both share cancels; sound plugs differ by a tenth
FLAGGED = ("not_switched", "no_breakdown")  # sparks that are counted by their own marks


def write_evidence(
    events: pd.DataFrame,
    extras: pd.DataFrame,
    cylinder: int,
    *,
    mate: int = 0,
    disturbed_share: float = 0.0,
) -> tuple[str, ...]:
    """Write what speaks for or against one cylinder.

    Parameters
    ----------
    events : DataFrame [columns=EVENT_COLUMNS]
    extras : DataFrame
        Same rows; `lost`, `no_breakdown`, `no_dwell`, `torque_deficit_z`, `ramp_step_a`.
    cylinder : int
    mate : int
        The cylinder that its coil fires as well; 0: none, or the two cannot be told apart.
    disturbed_share : float [0..1]
        Share of firings with crank pulses missing or extra.

    Returns
    -------
    sentences : tuple of str
        The strongest first; empty if the cylinder is like the others.
    """
    own = (events["cylinder"] == cylinder).to_numpy()
    lost = extras["lost"].to_numpy(bool)
    mine_lost = own & lost
    good = ~lost
    sentences: list[str] = []
    n_lost, n_judged = (
        int(mine_lost.sum()),
        int((own & events["misfire_probability"].notna().to_numpy()).sum()),
    )
    if n_lost:
        sentences.append(
            f"{n_lost} of {n_judged} power strokes lost ({100 * n_lost / max(n_judged, 1):.1f} %)"
        )
    dead = int(np.nansum(extras["no_dwell"].to_numpy(float)[own]))
    if dead:
        sentences.append(
            f"the coil was not switched at all in {_count(dead, 'firing')} (dwell absent)"
        )
    dark = int(np.nansum(extras["no_breakdown"].to_numpy(float)[own]))
    if dark:
        sentences.append(f"no breakdown: no spark line after {_count(dark, 'switch-off')}")
    sentences += _describe_states(events["spark"].to_numpy()[own], mine_lost[own])
    accel = events["segment_accel"].to_numpy(float)
    of = mine_lost if n_lost else own
    reference = good & ~own & np.isfinite(accel)
    if np.isfinite(accel[of]).any() and reference.any():
        a, b = float(np.nanmedian(accel[of])), float(np.median(accel[reference]))
        z = float(np.nanmedian(extras["torque_deficit_z"].to_numpy(float)[of]))
        if abs(z) > 2.5:
            sentences.append(
                f"segment acceleration {_signed(a)} 1/s² against {_signed(b)} 1/s² in the other "
                "cylinders"
                + (", in the lost firings" if n_lost else ", in all its power strokes")
                + f" ({abs(z):.0f} times the usual scatter of the firings nearby)"
            )
    n_before = len(sentences)  # more of them: a measure of the spark is odd
    mostly_dark = n_lost > 0 and int((mine_lost & (extras["no_breakdown"] == 1)).sum()) > n_lost / 2
    mostly_dead = n_lost > 0 and int((mine_lost & (extras["no_dwell"] == 1)).sum()) > n_lost / 2
    for quantity in SPARK_QUANTITIES:
        if (mostly_dark or mostly_dead) and quantity.column.startswith("burn"):
            continue  # said already: there was no burn
        words = quantity.label.lower()
        if quantity.column == "firing_voltage_kv":
            if mostly_dead:
                continue  # nothing was asked of the gap
            if mostly_dark:
                words = "voltage reached without a breakdown"
        values = events[quantity.column].to_numpy(float)
        sentence = _compare(values, own, mine_lost, good, words, quantity)
        if sentence:
            sentences.append(sentence)
    if mate:
        sentences += _compare_plugs(events, extras, cylinder, mate)
    step = extras["ramp_step_a"].to_numpy(float)
    if np.isfinite(step[own]).any():
        here = float(np.nanmedian(step[own]))
        rest = step[~own & np.isfinite(step)]
        there = float(np.median(rest)) if rest.size else 0.0
        if here - there > ODD_STEP_A:
            sentences.append(
                f"the current ramp starts with a step of {here:.1f} A"
                + (f" against {max(there, 0.0):.1f} A in the other cylinders" if rest.size else "")
                + " (the coil works into a load)"
            )
    if len(sentences) == n_before:
        sentences += _describe_usual(events, mine_lost)
    if disturbed_share > 0.005:
        sentences.append(
            f"crank pulses are missing or extra in {100 * disturbed_share:.1f} % of the power "
            "strokes of all cylinders"
        )
    return tuple(sentences)


def _count(n: int, noun: str) -> str:
    """Give a number with its noun."""
    return f"{n} {noun}{'s' * (n != 1)}"


def _describe_states(spark: NDArray[np.object_], lost: NDArray[np.bool_]) -> list[str]:
    """Say how many of a cylinder's sparks were odd in which way, and how many were lost with it."""
    found = []
    for state, words in ODD_SPARKS.items():
        of_it = spark == state
        n = int(of_it.sum())
        if state in FLAGGED or n <= FEW_ODD * spark.size:
            continue
        here = int((of_it & lost).sum())
        more = f"; {here} of these were lost" if here else ""
        found.append(f"in {n} of {spark.size} firings {words}{more}")
    return found


def _describe_usual(events: pd.DataFrame, mine_lost: NDArray[np.bool_]) -> list[str]:
    """Say that the sparks of the lost firings were as usual, where the burn was recorded."""
    burn_known = np.isfinite(events["burn_time_ms"].to_numpy(float))
    usual = int((mine_lost & burn_known & (events["spark"].to_numpy() == "usual")).sum())
    n_lost = int(mine_lost.sum())
    if not usual or usual < MOSTLY * n_lost:
        return []
    return [f"the spark was as usual in {usual} of {n_lost} lost firings"]


def _signed(value: float) -> str:
    """Whole number with a true minus sign."""
    return str(round(value)).replace("-", "−")


def _compare_plugs(
    events: pd.DataFrame, extras: pd.DataFrame, cylinder: int, mate: int
) -> list[str]:
    """Say which plug of a double-ended coil asks for more, where the firing voltages tell.

    The plugs are in series and the one under compression takes most: what one of them asks for
    more shows in its own compression strokes, and little in the other's (common practice).
    """
    volts = events["firing_voltage_kv"].to_numpy(float)
    bound = np.array([is_bound(str(f), "firing_voltage_kv") for f in events["flags"]], bool)
    told = (volts > 0) & (extras["no_breakdown"].to_numpy(float) != 1) & ~bound
    here, there = (
        np.log(volts[told & (events["cylinder"] == c).to_numpy()]) for c in (cylinder, mate)
    )
    if min(here.size, there.size) < LEAST_TOLD:
        return []
    apart = float(np.median(here) - np.median(there))
    error = PLUGS_ERROR
    for own in (here, there):  # of a median of normal noise
        error = float(np.hypot(error, 1.25 * own.std() / np.sqrt(own.size)))
    if abs(apart) < max(2.0 * error, LEAST_APART):
        return []
    more, kilovolts = ("more" if apart > 0 else "less"), np.exp([np.median(here), np.median(there)])
    return [
        f"of the two plugs in series its own asks for {more}: {kilovolts[0]:.1f} kV in its "
        f"compression strokes against {kilovolts[1]:.1f} kV in those of cylinder {mate} "
        f"(ratio {np.exp(apart):.2f} ± {np.exp(apart) * error:.2f})"
    ]


def _compare(
    values: NDArray[np.float64],
    own: NDArray[np.bool_],
    mine_lost: NDArray[np.bool_],
    good: NDArray[np.bool_],
    words: str,
    quantity: Quantity,
) -> str:
    """Compare the lost firings with the own good ones, else the cylinder with the others."""
    finite = np.isfinite(values)
    sets = (
        (
            mine_lost & finite,
            own & good & finite,
            "in its own good firings",
            ", in the lost firings",
        ),
        (
            mine_lost & finite,
            ~own & good & finite,
            "in the other cylinders",
            ", in the lost firings",
        ),
        (own & finite, ~own & good & finite, "in the other cylinders", ""),
    )
    for these, those, reference, where in sets:
        if these.sum() < 2 or those.sum() < 5:
            continue
        a, b = float(np.median(values[these])), float(np.median(values[those]))
        if b > 0 and abs(a / b - 1) > quantity.odd_share:
            here, there = (format_value(v, quantity.decimals) for v in (a, b))
            return (
                f"{words} {here} {quantity.unit} against {there} {quantity.unit} {reference}{where}"
            )
        return ""
    return ""
