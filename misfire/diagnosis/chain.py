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
from misfire.diagnosis.shipped import load_shipped
from misfire.diagnosis.verdict import Verdict, decide, judge_evidence
from misfire.fitness.checking import drop_following
from misfire.fitness.descriptors import DESCRIPTORS, describe_vehicle
from misfire.fitness.measured import Measured, measure_whole
from misfire.limits import DOUBTFUL
from misfire.measuring.evidence import DECIDING_COLUMNS, Evidence, drop_table
from misfire.measuring.freeing import give_back
from misfire.measuring.hashing import hash_beside
from misfire.measuring.opening import open_recording
from misfire.measuring.unchanged import watch_sources
from misfire.records import Diagnosis, Finding, Recording

Progress = Callable[[str, float], None]


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
    breakdown_us = np.exp(evidence.firing_table["form_breakdown_us"].to_numpy(dtype=float))
    evidence = drop_table(evidence, kept=DECIDING_COLUMNS)
    give_back()
    verdict = finish(evidence, quick, judgement, model=model)
    verdict.extras["breakdown_us"] = breakdown_us  # the viewer's mark
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
    verdict = decide(evidence, judgement, quick, model=model)
    return replace(verdict, findings=(*verdict.findings, *find_unlike(evidence, model)))


def find_unlike(evidence: Evidence, model: Model | None) -> list[Finding]:
    """Find that a vehicle, its channels or conditions are unlike all that the model was trained on.

    Parameters
    ----------
    evidence : Evidence
        Its firing table is not looked at.
    model : Model or None
        None, or one that does not tell its vehicles: nothing can be said.

    Returns
    -------
    findings : list of Finding
        One where the distance to the nearest vehicle of the training is larger than 99 % of the
        training's own distances; else none.
    """
    if model is None or model.familiar is None or model.familiar.names != DESCRIPTORS:
        return []
    distance, name = model.familiar.find_distance(describe_vehicle(evidence))
    if distance <= model.familiar.limit:
        return []
    return [
        Finding(
            "unlike_training",
            "info",
            f"no vehicle like this was in training: the nearest one differs by {distance:.2f} "
            f"spreads, most in {name}, where {model.familiar.limit:.2f} is the most that is usual; "
            "the probabilities are less certain than they look",
        )
    ]


def _unique(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Keep the order and say each finding once."""
    return tuple(dict.fromkeys(findings))
