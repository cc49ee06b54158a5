"""Labelled cases: measured firings beside what is true of them, from disk or simulated."""

from __future__ import annotations

import gzip
import json
import tempfile
import zlib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from misfire.errors import FormatError
from misfire.fitness.measured import Measured, measure_whole
from misfire.measuring.opening import open_recording
from misfire.measuring.witnesses import find_witnesses
from misfire.records import ROLES

if TYPE_CHECKING:
    import pandas as pd

MATCH_DEG = 20.0  # a firing that no channel saw is placed by its neighbours' advance


@dataclass(frozen=True, slots=True)
class LabelledCase:
    """One recording, measured, with its truth.

    `table`: FIRING_COLUMNS; `cylinder`, `lost`, `known` [shape=(n_firings,)]: `known` is False for
    firings without a clear truth (no match, partly burned). `faulty[cylinder]` is the fault type.
    `group` names the vehicle: it never stands on both sides of a split. `mates` are the cylinders
    360 degrees apart; `healthy`: nothing was wrong, neither a cylinder nor the crank sensor;
    `waves`: how a simulated vehicle's coil channels were drawn.
    `measured` is all that `diagnose` would judge; None for a table without a recording, of which
    the steps after the firings (coil, injectors, whole engine) say nothing.
    """

    group: str
    table: pd.DataFrame
    cylinder: NDArray[np.int64]
    lost: NDArray[np.bool_]
    known: NDArray[np.bool_]
    disturbed: NDArray[np.bool_]
    n_cylinders: int
    faulty: dict[int, str]
    crank_fault: bool
    resolved: bool
    witnesses: dict[int, frozenset[str]]
    condition: str = ""
    mates: dict[int, int] = field(default_factory=dict)
    healthy: bool = False
    measured: Measured | None = None
    waves: str = ""

    @property
    def channel_set(self) -> str:
        """Which kinds of channels the recording has, in words."""
        if self.measured is None:
            return "not told"
        roles = {c.role for c in self.measured.evidence.recording.channels}
        return " + ".join(role for role in ROLES if role in roles)

    @property
    def engine_kind(self) -> str:
        """How the engine is ignited, and its number of cylinders."""
        if self.measured is None:
            return f"{self.n_cylinders} cylinders"
        ignition = self.measured.evidence.recording.job.engine.ignition
        return f"{ignition}, {self.n_cylinders} cylinders"


def refuse_reading(*_: Any) -> Any:
    """Refuse to read samples: what is kept of a recording was measured before.

    Raises
    ------
    FormatError
        Always.
    """
    raise FormatError("the samples of a measured case are not kept")


def leave_closed() -> None:
    """Close a recording that is closed."""


def read_truth(folder: Path) -> dict[str, Any]:
    """Read `truth.json` or `truth.json.gz` of a case.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    truth : dict

    Raises
    ------
    FormatError
        If there is none or it is not JSON.
    """
    try:
        plain = folder / "truth.json"
        if plain.exists():
            return dict(json.loads(plain.read_text(encoding="utf-8")))
        return dict(json.loads(gzip.decompress((folder / "truth.json.gz").read_bytes())))
    except (OSError, ValueError, TypeError, EOFError, RecursionError, zlib.error) as error:
        raise FormatError(f"{folder}: no readable truth.json in this case ({error})") from None


def measure_case(job: Path, truth: dict[str, Any], *, group: str) -> LabelledCase:
    """Measure one recording and lay its truth beside it.

    Parameters
    ----------
    job : Path
        Job card or recording.
    truth : dict
        Keys `faulty`, `verdict`, `events`; `events` may be absent in a case from the workshop,
        where only the cylinder and the fault are proven. Of a vehicle proven sound every firing
        is known: none was lost.
    group : str

    Returns
    -------
    case : LabelledCase
    """
    recording = open_recording(job, hash_source=False)
    try:
        measured = measure_whole(recording)
    finally:
        recording.close()
    closed = replace(
        measured.evidence.recording,
        read=refuse_reading,
        read_levels=refuse_reading,
        close=leave_closed,
    )
    evidence = replace(measured.evidence, recording=closed)
    firings = evidence.firings
    n = firings.cylinder.size
    lost, known = np.zeros(n, bool), np.zeros(n, bool)
    events = truth.get("events")
    healthy = bool(truth.get("healthy", not truth["faulty"]))
    if events:
        lost, known = _match(events, firings.cylinder, firings.spark_s, firings.rpm)
    elif healthy:
        known[:] = True  # a vehicle that was proven sound lost no combustion
    faulty = {}
    for fault in truth["faulty"]:
        effective = fault.get("visible", True) and truth["verdict"] != "no_misfire"
        if fault["type"] != "crank_signal" and effective:
            faulty[int(fault["cylinder"])] = str(fault["type"])
    return LabelledCase(
        group=group,
        table=evidence.firing_table,
        cylinder=firings.cylinder,
        lost=lost,
        known=known,
        disturbed=evidence.torque.disturbed,
        n_cylinders=recording.job.engine.cylinders,
        faulty=faulty,
        crank_fault=any(f["type"] == "crank_signal" for f in truth["faulty"]),
        resolved=firings.resolved,
        witnesses=find_witnesses(evidence),
        condition=str(truth.get("condition", "")),
        mates=dict(firings.mates),
        healthy=healthy,
        measured=replace(measured, evidence=evidence),
        waves=str(truth.get("waves", "")),
    )


def simulate_case(seed: int) -> LabelledCase:
    """Simulate one vehicle at random and measure it.

    Parameters
    ----------
    seed : int [>= 0]

    Returns
    -------
    case : LabelledCase
    """
    from misfire.simulate.draw import draw_scenario
    from misfire.simulate.recording import simulate
    from misfire.simulate.writer import write_recording

    simulated = simulate(draw_scenario(np.random.default_rng(seed)))
    with tempfile.TemporaryDirectory(prefix="misfire-case-") as name:
        job = write_recording(simulated, Path(name), fmt="wav")
        return measure_case(job, simulated.truth, group=f"sim-{seed}")


def _match(
    events: dict[str, list[Any]],
    cylinder: NDArray[np.int64],
    spark_s: NDArray[np.float64],
    rpm: NDArray[np.float64],
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Find for every measured firing its true event."""
    lost, known = np.zeros(cylinder.size, bool), np.zeros(cylinder.size, bool)
    time_s = np.array(events["time_s"], float)
    of = np.array(events["cylinder"], int)
    misfire = np.array(events["misfire"], bool)
    partial = np.array(events["partial"], bool)
    reach = MATCH_DEG / (6.0 * np.where(np.isfinite(rpm) & (rpm > 50), rpm, 800.0))
    for c in np.unique(of):
        rows, true = np.flatnonzero(cylinder == c), np.flatnonzero(of == c)
        if rows.size == 0:
            continue
        true = true[np.argsort(time_s[true])]
        at = np.clip(np.searchsorted(time_s[true], spark_s[rows]), 0, true.size - 1)
        left = np.maximum(at - 1, 0)
        nearer = np.abs(time_s[true[left]] - spark_s[rows]) < np.abs(
            time_s[true[at]] - spark_s[rows]
        )
        near = true[np.where(nearer, left, at)]
        good = np.abs(time_s[near] - spark_s[rows]) < reach[rows]
        lost[rows] = misfire[near] & good
        known[rows] = good & ~partial[near]
    return lost, known
