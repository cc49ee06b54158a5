"""What a repair proved, kept as a labelled case: the recording and its truth in one folder."""

from __future__ import annotations

import datetime
import json
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

from misfire.align.store import has_signature
from misfire.align.storewriter import write_store
from misfire.errors import OutputError, ParameterError
from misfire.learning.casefile import write_case_file
from misfire.learning.casefolders import RECORDING
from misfire.measuring.opening import open_recording
from misfire.publishing import write_whole
from misfire.records import FAULT_TYPES, Recording

SCHEMA = "misfire-case/1"
Progress = Callable[[str, float], None]


def confirm(
    path: Path,
    cases: Path | None,
    *,
    faults: Mapping[int, str],
    crank_fault: bool = False,
    who: str = "",
    when: str | None = None,
    note: str = "",
    by_reference: bool = False,
    bundle: Path | None = None,
    with_note: bool = False,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Make a labelled case of a recording and what was proven about it.

    Parameters
    ----------
    path : Path
        A recording, or a job card (its raw files are put into one recording).
    cases : Path or None
        Folder of cases; made if absent. The case becomes a folder of its own in it. None: only a
        case file is written.
    faults : mapping cylinder -> fault type
        Empty: the vehicle was proven sound, or has `crank_fault` only.
    crank_fault : bool
        The crank sensor or its wheel was at fault.
    who, note : str
        Who proved it, and how.
    when : str, optional
        ISO 8601 date; today if left out.
    by_reference : bool
        Name the recording where it is instead of copying it.
    bundle : Path, optional
        Also write the case as one file without personal data.
    with_note : bool
        Keep the note in that file.
    progress : callable (stage, fraction), optional

    Returns
    -------
    summary : dict
        `case`: the folder or None, `bundle`: the file or None, `vehicle`, and the truth as written.

    Raises
    ------
    ParameterError
        If a cylinder, fault type or date is none, or a job card was to be taken by reference.
    OutputError
        If the case exists already or cannot be written.
    MisfireError
        If the recording cannot be used.
    """
    date = _read_date(when)
    unknown = [t for t in faults.values() if t not in FAULT_TYPES or t == "crank_signal"]
    if unknown:
        raise ParameterError(
            f"fault: {unknown[0]!r} is none of a cylinder; need one of "
            + ", ".join(t for t in FAULT_TYPES if t != "crank_signal")
        )
    recording = open_recording(path, progress=progress)
    try:
        for cylinder in faults:
            if not 1 <= cylinder <= recording.job.engine.cylinders:
                raise ParameterError(
                    f"cylinder: the engine of {recording.job.vehicle_id} has cylinders 1 to "
                    f"{recording.job.engine.cylinders}, not {cylinder}"
                )
        if by_reference and not has_signature(path):
            raise ParameterError(
                f"{path}: only a recording can be referred to; run `misfire ingest` first, or let "
                "confirm make the recording"
            )
        folder = None if cases is None else cases / _name_case(recording)
        if folder is not None and folder.exists():
            raise OutputError(
                f"{folder}: this recording is confirmed already; delete that folder to replace it"
            )
        file = str(path.resolve()) if by_reference else RECORDING
        truth = {
            "schema": SCHEMA,
            "vehicle": recording.job.vehicle_id,
            "verdict": "misfire" if faults else "no_misfire",
            "healthy": not faults and not crank_fault,
            "faulty": [{"cylinder": c, "type": t} for c, t in sorted(faults.items())]
            + ([{"cylinder": 0, "type": "crank_signal"}] if crank_fault else []),
            "recording": {"file": file, "sha256": recording.sha256},
            "confirmed": {"who": who, "when": date, "note": note},
        }
        if bundle is not None:
            write_case_file(recording, truth, bundle, with_note=with_note, progress=progress)
        if folder is not None:
            _write_case(recording, path, folder, truth, by_reference, progress)
    finally:
        recording.close()
    return {
        "case": None if folder is None else str(folder),
        "bundle": None if bundle is None else str(bundle),
        "vehicle": truth["vehicle"],
        "truth": truth,
    }


def _write_case(
    recording: Recording,
    path: Path,
    folder: Path,
    truth: dict[str, Any],
    by_reference: bool,
    progress: Progress | None,
) -> None:
    """Write the folder under a temporary name, then rename it."""
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(
            dir=folder.parent, prefix=f".{folder.name}-", suffix=".part"
        ) as part:
            made = Path(part) / folder.name
            made.mkdir()
            if has_signature(path):
                if not by_reference:
                    write_whole(made / RECORDING, partial(shutil.copyfile, path))
            else:
                write_store(recording, made / RECORDING, progress=progress)
            text = json.dumps(truth, indent=1, ensure_ascii=False) + "\n"
            write_whole(made / "truth.json", text.encode("utf-8"))
            os.rename(made, folder)
    except OSError as error:
        raise OutputError(
            f"{folder}: the case cannot be written ({error.strerror or error})"
        ) from error


def _name_case(recording: Recording) -> str:
    """Name a case by vehicle and source: one recording, one case."""
    word = re.sub(r"[^\w.-]+", "-", recording.job.vehicle_id).strip("-.")[:60] or "vehicle"
    return f"{word}-{recording.sha256[:12]}"


def _read_date(when: str | None) -> str:
    """Check a date, or take today's."""
    if when is None:
        return datetime.date.today().isoformat()
    try:
        return datetime.date.fromisoformat(when).isoformat()
    except ValueError:
        raise ParameterError(f"when: need a date like 2026-03-31, got {when!r}") from None
