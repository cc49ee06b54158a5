"""What each witness says of a suspect: the spark, the torque, the fuel; and who was heard."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from misfire.limits import ODD_STEP_A
from misfire.records import FAULT_TYPES, CylinderResult, Diagnosis
from misfire.report.pictures.spread import Spread, compute_median, is_lower_limit, split_values
from misfire.report.summary import LOST
from misfire.report.wording import (
    ODD_SPARKS,
    SPARK_QUANTITIES,
    format_percent,
    format_value,
    name_fault,
)

if TYPE_CHECKING:
    import pandas as pd

SEEN_AS = {
    "burn": "spark line",
    "current": "coil current",
    "switching": "coil switching",
    "torque": "torque",
    "cranking": "compression while cranking",
}
INJECTOR_ROLES = ("injector_voltage", "injector_current")
FEWEST = 5


@dataclass(frozen=True, slots=True)
class Testimony:
    """What one witness says: `word` in one or two words, `details` the values behind it."""

    witness: str
    word: str
    details: tuple[str, ...]


def hear_witnesses(diagnosis: Diagnosis, result: CylinderResult) -> tuple[Testimony, ...]:
    """Say what spark, torque and fuel tell of one cylinder.

    Parameters
    ----------
    diagnosis : Diagnosis
    result : CylinderResult

    Returns
    -------
    testimonies : tuple of Testimony
        Spark, torque and fuel, in this order, each of them also where it was not recorded.
    """
    events = diagnosis.events
    mine = events[(events["cylinder"] == result.cylinder) & events["misfire_probability"].notna()]
    lost = mine[mine["misfire_probability"] >= LOST]
    of = lost if len(lost) else mine
    which = "lost firings" if len(lost) else "firings"
    return (
        _hear_spark(diagnosis, result, of, which),
        _hear_torque(diagnosis, result.cylinder, of, which),
        _hear_fuel(diagnosis, result.cylinder),
    )


def _hear_spark(
    diagnosis: Diagnosis, result: CylinderResult, of: pd.DataFrame, which: str
) -> Testimony:
    """Compare the firings' sparks with good ones."""
    cylinder = result.cylinder
    known = [q for q in SPARK_QUANTITIES if of[q.column].notna().any()]
    if not known:
        return Testimony(
            "Spark", "not recorded", ("No channel shows this cylinder's coil or spark.",)
        )
    states = of["spark"].astype(str)
    counts = {state: int((states == state).sum()) for state in ODD_SPARKS}
    details = [
        f"{ODD_SPARKS[state]}, in {count} of {len(of)} {which}"
        for state, count in counts.items()
        if count and result.state != "sound"  # single odd sparks of a sound cylinder tell nothing
    ]
    # the judge's own word of each firing, so that this cannot contradict the kind of fault
    bad = 2 * sum(counts.values()) > len(of)
    dark = 2 * (counts["not_switched"] + counts["no_breakdown"]) > len(of)
    odd = False
    for quantity in known:
        column, decimals = quantity.column, quantity.decimals
        if dark and column in ("burn_time_ms", "burn_voltage_kv", "firing_voltage_kv"):
            continue
        value = float(of[column].median())
        good, whose = _reference(split_values(diagnosis, column), cylinder)
        if math.isnan(good):
            continue
        least = "at least " if column == "firing_voltage_kv" and is_lower_limit(of) else ""
        text = (
            f"{quantity.label.lower()} {least}{format_value(value, decimals)} against "
            f"{format_value(good, decimals)} {quantity.unit} in {whose}"
        )
        if good > 0 and abs(value / good - 1) > quantity.odd_share:
            odd = True
            details.append(text)
        else:
            details.append(f"{text}: as usual")
    step = _find_ramp_step(diagnosis, cylinder, of)
    if step:
        odd = True
        details.append(step)
    if not of["burn_time_ms"].notna().any():
        details.append(
            "the burn itself was not recorded, only the current or the switching of the coil"
        )
    word = "points to a fault" if bad else "differs" if odd else "as usual"
    return Testimony("Spark", word, tuple(details))


def _find_ramp_step(diagnosis: Diagnosis, cylinder: int, of: pd.DataFrame) -> str:
    """Say by how much the charging current starts with a step, where the others' does not."""
    extras, events = diagnosis.extras, diagnosis.events
    if "ramp_step_a" not in extras or len(extras) != len(events):
        return ""
    step = extras["ramp_step_a"].to_numpy(dtype=float)
    mine = step[events.index.get_indexer(of.index)]
    rest = step[(events["cylinder"] != cylinder).to_numpy()]
    here, there = compute_median(mine), compute_median(rest)
    usual = 0.0 if math.isnan(there) else there
    if math.isnan(here) or here - usual <= ODD_STEP_A:
        return ""
    against = "" if math.isnan(there) else f" against {format_value(there, 1)} A in the others"
    return f"the current starts with a step of {format_value(here, 1)} A{against}: a loaded coil"


def _reference(spreads: tuple[Spread, ...], cylinder: int) -> tuple[float, str]:
    """Give the median of the cylinder's own good firings, else of the others'."""
    own = next((s for s in spreads if s.cylinder == cylinder), None)
    if own is not None and own.good.size >= FEWEST and own.lost.size:
        return compute_median(own.good), "its good firings"
    others = [s.good for s in spreads if s.cylinder != cylinder]
    return compute_median(*others), "the other cylinders"


def _hear_torque(diagnosis: Diagnosis, cylinder: int, of: pd.DataFrame, which: str) -> Testimony:
    """Compare the firings' torque with that of good ones."""
    import numpy as np

    values = of["segment_accel"].to_numpy(dtype=float)
    values = values[np.isfinite(values)]
    if not values.size:
        return Testimony(
            "Torque", "not recorded", ("No crank signal, or it could not be used for torque.",)
        )
    spreads = split_values(diagnosis, "segment_accel")
    others = [s.good for s in spreads if s.cylinder != cylinder]
    of_whom = "the other cylinders" if others else "its good firings"
    # one cylinder alone has only itself to be compared with
    good = np.concatenate(others or [s.good for s in spreads] or [np.empty(0)])
    if good.size < FEWEST:
        return Testimony("Torque", "no reference", ("Too few good firings to compare with.",))
    # lacks are taken beside the firings around, so that a swinging driveline does not hide them
    lacks = split_values(diagnosis, "torque_deficit_z")
    usual = [s.good for s in lacks if s.cylinder != cylinder] or [s.good for s in lacks]
    limit = float(np.percentile(np.concatenate(usual), 95))
    place = diagnosis.events.index.get_indexer(of.index)
    lack = diagnosis.extras["torque_deficit_z"].to_numpy(dtype=float)[place]
    lack = lack[np.isfinite(lack)]
    below = int((lack > limit).sum())
    details = (
        f"segment acceleration {format_value(float(np.median(values)), 0)} against "
        f"{format_value(float(np.median(good)), 0)} 1/s² in {of_whom}",
        f"{below} of {lack.size} {which} ({format_percent(below / max(lack.size, 1))}), beside the "
        "firings around them, are weaker than 19 of 20 good "
        + (f"firings of {of_whom}" if others else "ones"),
    )
    word = "points to a fault" if below > 0.3 * lack.size else "as usual"
    return Testimony("Torque", word, details)


def _hear_fuel(diagnosis: Diagnosis, cylinder: int) -> Testimony:
    """Say what the injector did; without its channel fuel is heard through spark and torque."""
    roles = {c.role for c in diagnosis.job.channels if not c.cylinders or cylinder in c.cylinders}
    extras = diagnosis.extras
    own = (diagnosis.events["cylinder"] == cylinder).to_numpy()
    if "injector_failed" in extras and extras["injector_failed"][own].notna().any():
        watched = own & extras["injector_failed"].notna().to_numpy()
        failed = watched & (extras["injector_failed"].to_numpy() == 1)
        lost = watched & extras["lost"].to_numpy(bool)
        usual = float(extras["injector_pulse_ms"][watched & ~failed].median())
        if failed.any():
            return Testimony(
                "Fuel",
                "points to the fuel",
                (
                    f"The injector failed at {int((failed & lost).sum())} of {int(lost.sum())} "
                    f"lost firings and at {int((failed & ~lost).sum())} others; its usual pulse is "
                    f"{usual:.2f} ms.",
                ),
            )
        return Testimony(
            "Fuel",
            "as usual",
            (
                f"The injector switched as usual ({usual:.2f} ms) at all firings. The fuel can "
                "still be at fault: pressure and spray are not measured.",
            ),
        )
    if roles & set(INJECTOR_ROLES):
        return Testimony(
            "Fuel",
            "recorded, not judged",
            ("The injector channel shows no injections, or names no single cylinder.",),
        )
    return Testimony(
        "Fuel",
        "not recorded",
        (
            "No injector channel. Fuel is judged from spark and torque alone: lost torque with a "
            "good spark points to the mixture.",
        ),
    )


def list_heard(diagnosis: Diagnosis) -> list[dict[str, str]]:
    """Give, for each cylinder, which witnesses the recording holds.

    Returns
    -------
    rows : list of dict
        `cylinder` and one entry for each witness: "yes" or "–"; empty when it is not known.
    """
    rows = []
    for cylinder, heard in diagnosis.witnesses.items():
        if not str(cylinder).isdecimal() or isinstance(heard, str):
            continue
        row = {"cylinder": str(cylinder)}
        row |= {words: "yes" if name in heard else "–" for name, words in SEEN_AS.items()}
        rows.append(row)
    return sorted(rows, key=lambda row: int(row["cylinder"]))


def describe_separable(diagnosis: Diagnosis, cylinder: int) -> str:
    """Say which kinds of fault this recording can tell from the others, in one cylinder.

    Returns
    -------
    words : str
        Empty when it is not known.
    """
    told = diagnosis.separable.get(str(cylinder))
    if told is None:
        return ""
    names = [name_fault(kind) for kind in FAULT_TYPES if kind in told]
    hidden = [name_fault(kind) for kind in FAULT_TYPES if kind not in told]
    if not names:
        return "With these channels no kind of fault can be told from the others."
    if not hidden:
        return (
            "These channels can show every kind of fault. The percentage says how sure the named "
            "kind is."
        )
    return (
        f"These channels can show: {'; '.join(names)}. They cannot tell these kinds from one "
        f"another: {'; '.join(hidden)}. Between those, the percentages mostly say how common each "
        "kind is."
    )
