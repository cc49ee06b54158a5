"""Labelled cases as folders: a recording or job card beside its truth.

A folder holds `truth.json` (`verdict`, `faulty`: cylinder and type; `events` as arrays where they
are known) beside a job card or recording. Cases from a workshop have no events; only of a vehicle
proven sound every firing is known.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from misfire.errors import FormatError
from misfire.ingest.jobcard import read_job_card
from misfire.learning.cases import LabelledCase, measure_case, read_truth
from misfire.measuring.opening import open_recording
from misfire.records import FAULT_TYPES, VERDICTS

TRUTHS = ("truth.json", "truth.json.gz")
RECORDING = "recording.h5"


@dataclass(frozen=True, slots=True)
class CaseFolder:
    """One labelled case on disk: its folder, what to open, and what is true of it."""

    folder: Path
    source: Path
    truth: dict[str, Any]


def find_cases(places: Iterable[Path]) -> list[CaseFolder]:
    """Find every labelled case in or under the given folders.

    Parameters
    ----------
    places : iterable of Path
        A case (a folder with a truth), or a folder that holds cases at any depth.

    Returns
    -------
    cases : list of CaseFolder
        In the order of their paths; each folder once.

    Raises
    ------
    FormatError
        If a place is no folder or holds no case, or a case lacks a usable recording or truth.
    """
    found: dict[Path, Path] = {}
    for place in places:
        if not place.is_dir():
            raise FormatError(f"{place}: no such folder; give folders of labelled cases")
        truths = [t for name in TRUTHS for t in place.rglob(name)]
        folders = {t.parent for t in truths if not _is_hidden(t.parent, place)}
        if not folders:
            raise FormatError(
                f"{place}: no labelled case in it; a case is a folder with a recording (or "
                "job.toml) and truth.json, as `misfire confirm` makes them"
            )
        found |= {folder.resolve(): folder for folder in folders}
    return [read_case(folder) for _, folder in sorted(found.items())]


def read_case(folder: Path) -> CaseFolder:
    """Read the truth of a case and find its recording.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    case : CaseFolder

    Raises
    ------
    FormatError
        If the truth is not one, or there is not exactly one recording.
    """
    truth = read_truth(folder)
    _check_truth(truth, folder)
    named = truth.get("recording")
    if named is not None:
        if not isinstance(named, dict) or not isinstance(named.get("file"), str):
            raise FormatError(f"{folder}: truth.json: recording must have a `file`")
        source = folder / named["file"]  # a case made by reference names it from the root
        if not source.is_file():
            raise FormatError(
                f"{folder}: its recording {named['file']} is not there; put it back, or confirm "
                "the repair again from where it is now"
            )
        return CaseFolder(folder, source, truth)
    card = folder / "job.toml"
    if card.is_file():
        return CaseFolder(folder, card, truth)
    stores = sorted(p for p in folder.iterdir() if p.suffix.lower() in (".h5", ".hdf5"))
    if len(stores) != 1:
        raise FormatError(
            f"{folder}: needs job.toml or one recording beside its truth, has {len(stores)}"
        )
    return CaseFolder(folder, stores[0], truth)


def measure_folder(case: CaseFolder) -> LabelledCase:
    """Measure the recording of a case; vehicles are told apart by the job card's id.

    Parameters
    ----------
    case : CaseFolder

    Returns
    -------
    measured : LabelledCase

    Raises
    ------
    MisfireError
        If the recording cannot be used, is not the one confirmed, or lacks a faulty cylinder.
    """
    expected = (case.truth.get("recording") or {}).get("sha256")
    if case.source.suffix == ".toml":
        job = read_job_card(case.source)
    else:
        recording = open_recording(case.source, hash_source=False)
        job = recording.job
        recording.close()
        if expected is not None and recording.sha256 != expected:
            raise FormatError(
                f"{case.folder}: {case.source.name} is not the recording that was confirmed"
            )
    for fault in case.truth["faulty"]:
        if fault["type"] != "crank_signal" and fault["cylinder"] > job.engine.cylinders:
            raise FormatError(
                f"{case.folder}: truth.json names cylinder {fault['cylinder']}, the engine has "
                f"{job.engine.cylinders}"
            )
    vehicle = str(case.truth.get("vehicle") or job.vehicle_id)
    return measure_case(case.source, case.truth, group=vehicle)


def _is_hidden(folder: Path, place: Path) -> bool:
    """Tell a folder that is still being written."""
    return any(part.startswith(".") for part in folder.relative_to(place).parts)


def _check_truth(truth: dict[str, Any], folder: Path) -> None:
    """Refuse a truth that lacks what is needed of it."""
    if truth.get("verdict") not in VERDICTS:
        raise FormatError(f"{folder}: truth.json: verdict must be one of {', '.join(VERDICTS)}")
    faulty = truth.get("faulty")
    if not isinstance(faulty, list):
        raise FormatError(f"{folder}: truth.json: faulty must be a list")
    for fault in faulty:
        if not isinstance(fault, dict) or fault.get("type") not in FAULT_TYPES:
            raise FormatError(
                f"{folder}: truth.json: each fault's type must be one of {', '.join(FAULT_TYPES)}"
            )
        cylinder = fault.get("cylinder")
        whole = isinstance(cylinder, int) and not isinstance(cylinder, bool) and cylinder >= 1
        if fault["type"] != "crank_signal" and not whole:
            raise FormatError(f"{folder}: truth.json: each fault's cylinder must be 1 or more")
    events = truth.get("events")
    if events:
        needed = ("time_s", "cylinder", "misfire", "partial")
        lengths = (
            {len(events[k]) for k in needed if isinstance(events.get(k), list)}
            if (isinstance(events, dict) and all(k in events for k in needed))
            else set()
        )
        if len(lengths) != 1:
            raise FormatError(
                f"{folder}: truth.json: events needs equally long lists {', '.join(needed)}"
            )
