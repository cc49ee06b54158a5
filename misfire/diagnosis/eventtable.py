"""The table of firings as it is written, and what pictures need of each firing besides."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.diagnosis.firings.explanation import Explanation
from misfire.diagnosis.otherchannels import list_columns
from misfire.measuring.evidence import Evidence
from misfire.records import EVENT_COLUMNS, SPARK_STATES, STROKE_FLAGS, WORK_STATES

if TYPE_CHECKING:
    import pandas as pd

USUAL_TURNS = 80.0  # coil turns ratio where the job card gives none (docs/sources.md: 70 to 110)


def build_events(
    evidence: Evidence, probability: NDArray[np.float64], explanation: Explanation
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Make the table of events.parquet and the further columns that pictures use.

    Parameters
    ----------
    evidence : Evidence
    probability : float64 array [shape=(n_firings,)]
        That each firing was lost.
    explanation : Explanation

    Returns
    -------
    events : DataFrame [shape=(n_firings, ...)]
        EVENT_COLUMNS and those of bystanding channels.
    extras : DataFrame [shape=(n_firings, ...)]
    """
    import pandas as pd

    firings, strokes = evidence.firings, evidence.strokes
    engine = evidence.recording.job.engine
    turns = engine.coil_turns_ratio or USUAL_TURNS
    tdc = dict(zip(engine.firing_order, engine.firing_angles_deg, strict=True))
    own_tdc = np.array([tdc[int(c)] for c in firings.cylinder])
    cut = explanation.work == WORK_STATES.index("cut")
    bits = strokes["flags"].astype(np.int64)
    bits |= np.where(cut, STROKE_FLAGS["fuel_cut"], 0)
    bits |= np.where(evidence.torque.disturbed, STROKE_FLAGS["crank_gap"], 0)
    bits |= np.where(~np.isfinite(probability), STROKE_FLAGS["edge"], 0)
    names = [(name, bit) for name, bit in STROKE_FLAGS.items()]
    words = {b: " ".join(n for n, bit in names if b & bit) for b in np.unique(bits).tolist()}
    more = list_columns(evidence)
    columns = {
        "time_s": firings.spark_s,
        "cycle": firings.cycle,
        "cylinder": firings.cylinder,
        "crank_deg": (own_tdc - firings.advance_deg) % 720.0,
        "rpm": firings.rpm,
        "dwell_ms": strokes["dwell_ms"],
        "peak_current_a": strokes["peak_current_a"],
        "primary_peak_v": strokes["primary_peak_v"],
        "firing_voltage_kv": strokes["firing_v"] * turns / 1e3,
        "burn_time_ms": strokes["burn_time_ms"],
        "burn_voltage_kv": strokes["burn_level_v"] * turns / 1e3,
        "segment_accel": evidence.torque.accel,
        "misfire_probability": probability,
        "strikes": firings.strikes,
        "flags": [words[b] for b in bits.tolist()],
        "spark": pd.Categorical.from_codes(
            explanation.spark, dtype=pd.CategoricalDtype([*SPARK_STATES])
        ),
        "spark_probability": explanation.spark_probability,
        "work": pd.Categorical.from_codes(
            explanation.work, dtype=pd.CategoricalDtype([*WORK_STATES])
        ),
        "work_probability": explanation.work_probability,
    }
    # columns that stand elsewhere already are not copied: a long recording has many rows
    events = pd.DataFrame({**{name: columns[name] for name in EVENT_COLUMNS}, **more}, copy=False)
    extras = pd.DataFrame(
        {
            "lost": probability >= 0.5,
            "no_breakdown": evidence.firing_table["no_breakdown"].to_numpy(float),
            "no_dwell": evidence.firing_table["no_dwell"].to_numpy(float),
            "torque_deficit_z": evidence.torque.deficit_z,
            "gain_deficit_z": evidence.torque.gain_z,
            "ramp_step_a": strokes["ramp_step_a"],
            "advance_deg": firings.advance_deg,
            **more,
        },
        copy=False,
    )
    return events, extras


def take_medians(events: pd.DataFrame, cylinder: int) -> dict[str, float]:
    """Give the median of each measure over one cylinder's firings; NaN where none is known.

    Parameters
    ----------
    events : DataFrame [columns=EVENT_COLUMNS]
    cylinder : int

    Returns
    -------
    medians : dict name -> float
    """
    own = events[events["cylinder"] == cylinder]
    names = (
        "dwell_ms",
        "peak_current_a",
        "firing_voltage_kv",
        "burn_time_ms",
        "burn_voltage_kv",
        "segment_accel",
    )
    return {name: float(own[name].dropna().median()) for name in names}  # pandas 2 warns of NaN
