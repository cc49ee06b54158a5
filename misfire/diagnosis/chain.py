"""The main job on one recording: from a job card or recording to a diagnosis."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from misfire.align.storewriter import CODINGS, write_store
from misfire.classify.bundle import load_bundle
from misfire.classify.model import Model
from misfire.classify.separability import find_separable
from misfire.diagnosis.firingwaves import build_waves
from misfire.diagnosis.judging import Judgement
from misfire.diagnosis.panels import build_panels
from misfire.diagnosis.reasons import list_changes
from misfire.diagnosis.shipped import load_shipped
from misfire.diagnosis.verdict import Verdict, decide, judge_evidence
from misfire.fitness.checking import drop_following
from misfire.fitness.measured import Measured, measure_whole
from misfire.limits import DOUBTFUL
from misfire.measuring.evidence import DECIDING_COLUMNS, Evidence, drop_table
from misfire.measuring.freeing import give_back
from misfire.measuring.hashing import hash_beside
from misfire.measuring.opening import open_recording
from misfire.measuring.unchanged import watch_sources
from misfire.records import Diagnosis, Finding, Recording

Progress = Callable[[str, float], None]

# Findings by which the signals contradict the card or one another, and what to do.
CONTRADICTED = {
    **dict.fromkeys(
        ("role_wrong", "firing_order_wrong", "sparks_misplaced", "tdc_doubtful"),
        "correct the job card and diagnose again",
    ),
    "speed_jump": "diagnose each by itself",
}


def diagnose(
    path: Path | str,
    *,
    model: Path | str | None = None,
    progress: Progress | None = None,
    allow_outside: bool = False,
) -> Diagnosis:
    """Name the suspect cylinders and faults of one recording.

    Parameters
    ----------
    path : path
        A job card with its raw files, or a recording made by `ingest`.
    model : path, optional
        A model bundle; the shipped one when left out.
    progress : callable (stage, fraction), optional
    allow_outside : bool
        Whether a job card may name files outside its own folder.

    Returns
    -------
    diagnosis : Diagnosis
        Its `events` is a DataFrame with one row per expected firing.

    Raises
    ------
    MisfireError
        If the input cannot be used; the message names file, field and remedy.
    """
    recording = open_recording(
        path, progress=progress, hash_source=False, allow_outside=allow_outside
    )
    try:
        check_unchanged = watch_sources(recording)
        with hash_beside(recording) as wait:  # from here on: libraries and model load meanwhile
            chosen = load_shipped() if model is None else load_bundle(Path(model))
            diagnosis = diagnose_recording(recording, model=chosen, progress=progress)
            give_back()
            check_unchanged()
            return replace(diagnosis, sha256=wait())
    finally:
        recording.close()


def ingest(
    job: Path | str,
    out: Path | str,
    *,
    coding: str = CODINGS[0],
    progress: Progress | None = None,
    allow_outside: bool = False,
) -> dict[str, Any]:
    """Turn raw files into one aligned HDF5 recording, without loss.

    Parameters
    ----------
    job : path of a job card
    out : path of the recording to write
    coding : one of CODINGS
        How samples are stored, see `write_store`.
    progress : callable (stage, fraction), optional
    allow_outside : bool
        Whether the card may name files outside its own folder.

    Returns
    -------
    summary : dict
        Path, source hash, channels and findings.
    """
    recording = open_recording(job, progress=progress, allow_outside=allow_outside)
    try:
        check = watch_sources(recording)
        write_store(recording, Path(out), coding=coding, progress=progress, check=check)
        return {
            "recording": str(out),
            "vehicle": recording.job.vehicle_id,
            "source_sha256": recording.sha256,
            "channels": [
                {
                    "name": c.name,
                    "role": c.role,
                    "unit": c.unit,
                    "rate_hz": c.rate_hz,
                    "samples": c.n_samples,
                }
                for c in recording.channels
            ],
            "quality": [
                {"channel": f.channel, "code": f.code, "severity": f.severity, "message": f.message}
                for f in recording.findings
            ],
        }
    finally:
        recording.close()


def diagnose_recording(
    recording: Recording, *, model: Model | None = None, progress: Progress | None = None
) -> Diagnosis:
    """Measure and judge an open recording; see `diagnose`. Without a model the physics scores."""
    measured = measure_whole(recording, progress=progress)
    evidence, quick = measured.evidence, measured.quick
    del measured
    if progress is not None:
        progress("judging", 0.5)
    judgement = judge_evidence(evidence, model=model)
    evidence = drop_table(evidence, kept=DECIDING_COLUMNS)
    give_back()
    verdict = finish(evidence, quick, judgement, model=model)
    del judgement
    if progress is not None:
        progress("judging", 1.0)
    evidence = drop_table(evidence)
    if progress is not None:
        progress("cutting out waveforms", 0.0)
    firings = evidence.firings
    shown = {
        "probability": verdict.events["misfire_probability"].to_numpy(dtype=float),
        "dwell_ms": evidence.strokes["dwell_ms"],
    }
    suspects = tuple(r.cylinder for r in verdict.cylinders if r.probability >= DOUBTFUL)[:2]
    read = evidence.recording  # each value in its right unit
    panels = build_panels(read, evidence.detected, firings, suspects=suspects, **shown)
    waves = build_waves(read, evidence.detected, firings, **shown)
    if progress is not None:
        progress("cutting out waveforms", 1.0)
    moving = np.isfinite(firings.rpm)
    return Diagnosis(
        vehicle=recording.job.vehicle_id,
        note=recording.job.note,
        job=recording.job,
        source=recording.path.name,
        sha256=recording.sha256,
        verdict=verdict.verdict,
        duration_s=evidence.detected.duration_s,
        cycles=int(np.unique(firings.cycle).size),
        cylinders=verdict.cylinders,
        findings=drop_following(_unique((*evidence.findings, *quick, *verdict.findings))),
        notes=verdict.notes,
        events=verdict.events,
        extras=verdict.extras,
        rpm_s=firings.spark_s[moving],
        rpm=firings.rpm[moving],
        panels=panels,
        witnesses=verdict.witnesses,
        settings=verdict.settings,
        waves=waves,
        reasons=verdict.reasons,
        separable={c: tuple(sorted(find_separable(w))) for c, w in verdict.witnesses.items()},
    )


def conclude(measured: Measured, *, model: Model | None) -> Verdict:
    """Judge what was measured, with every step that `diagnose` takes.

    Parameters
    ----------
    measured : Measured
        From `measure_whole`; the recording may be closed.
    model : Model or None
        None: the physics scores.

    Returns
    -------
    verdict : Verdict
        Digit by digit what `diagnose` says of the recording.
    """
    judgement = judge_evidence(measured.evidence, model=model)
    return finish(measured.evidence, measured.quick, judgement, model=model)


def finish(
    evidence: Evidence, quick: Sequence[Finding], judgement: Judgement, *, model: Model | None
) -> Verdict:
    """Take every step from the judgement of the firings to what is said of the recording.

    Parameters
    ----------
    evidence : Evidence
        Of its firing table, DECIDING_COLUMNS are looked at.
    quick : sequence of Finding
        From `measure_whole`.
    judgement : Judgement
        From `judge_evidence`.
    model : Model or None
        The one that judged.

    Returns
    -------
    verdict : Verdict
    """
    return _doubt(decide(evidence, judgement, model=model), evidence, quick)


def _doubt(verdict: Verdict, evidence: Evidence, quick: Sequence[Finding]) -> Verdict:
    """Take back what was said of cylinders where the signals are not those of the job card."""
    wrong = [
        f"{f'channel {f.channel!r}: ' * bool(f.channel)}{f.message}: {CONTRADICTED[f.code]}"
        for f in quick
        if f.code in CONTRADICTED
    ]
    if not evidence.has_crank:  # one of two witnesses speaks of no engine, or not of this one
        wrong += [
            f"the crank channel cannot be read ({f.message}), and nothing else tells whether the "
            "sparks alone are understood: correct the hook-up or the job card, then record again"
            for f in evidence.findings
            if f.code == "no_sync"
        ]
    if not wrong:
        return verdict
    # whoever is named may be another
    halved = tuple(
        replace(
            c,
            probability=0.5 * c.probability,
            state="unseen" if c.state == "failing" else c.state,
        )
        for c in verdict.cylinders
    )
    before, after = (
        np.array([c.probability for c in sorted(v, key=lambda c: c.cylinder)])
        for v in (verdict.cylinders, halved)
    )
    moved = list_changes("card_contradicted", wrong[0], before, after, about="hook-up")
    verdict = replace(verdict, cylinders=halved, reasons=(*moved, *verdict.reasons))
    codes = {f.code for f in quick}
    if "role_wrong" in codes:  # what else was noted follows from it
        return replace(verdict, verdict="inconclusive", notes=(wrong[0],))
    if verdict.verdict != "misfire" and "sparks_misplaced" not in codes:
        return verdict
    return replace(verdict, verdict="inconclusive", notes=(wrong[0], *verdict.notes))


def _unique(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Keep the order and say each finding once."""
    return tuple(dict.fromkeys(findings))
