"""One labelled case as a single file that may travel: a recording and its truth, nobody's name.

The file is a zip archive of exactly two members, stored as they are: `truth.json` and
`recording.h5`. Nothing in it is executed, and nothing is unpacked that is larger than its bounds.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from misfire.align.storewriter import write_store
from misfire.errors import FormatError, OutputError
from misfire.learning.casefolders import RECORDING, TRUTHS, CaseFolder, find_cases, read_case
from misfire.publishing import write_whole
from misfire.records import Finding, Recording

Progress = Callable[[str, float], None]

TRUTH = TRUTHS[0]
LARGEST_TRUTH = 1 << 20  # bytes
LARGEST_RECORDING = 4 << 30
NO_CARD = "# the job card was left out: this case travels without personal data\n"
ROUNDS = 300_000  # of the hash of a vehicle's name, so that plates are slow to try one by one


def write_case_file(
    recording: Recording,
    truth: dict[str, Any],
    path: Path,
    *,
    with_note: bool = False,
    progress: Progress | None = None,
) -> str:
    """Write a recording and what is true of it as one file without personal data.

    Parameters
    ----------
    recording : Recording
        Open.
    truth : dict
        As `confirm` makes it.
    path : Path
        Replaced if it is there.
    with_note : bool
        Keep the note that says how it was proven.
    progress : callable (stage, fraction), optional

    Returns
    -------
    vehicle : str
        The name under which the vehicle goes in it: the same vehicle has the same.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    vehicle = hide_name(recording.job.vehicle_id)
    told: dict[str, Any] = {
        name: truth[name] for name in ("schema", "verdict", "healthy", "faulty") if name in truth
    }
    proven = {"when": truth["confirmed"]["when"]}
    if with_note:
        proven["note"] = truth["confirmed"]["note"]
    told |= {
        "vehicle": vehicle,
        "recording": {"file": RECORDING, "sha256": recording.sha256},
        "confirmed": proven,
    }
    bare = _leave_out_names(recording, vehicle)

    def write(part: Path) -> None:
        with tempfile.TemporaryDirectory(prefix="misfire-case-") as name:
            store = Path(name) / RECORDING
            write_store(bare, store, progress=progress)
            with zipfile.ZipFile(part, "w", zipfile.ZIP_STORED) as archive:
                text = json.dumps(told, indent=1, ensure_ascii=False) + "\n"
                archive.writestr(zipfile.ZipInfo(TRUTH), text.encode("utf-8"))
                with (
                    archive.open(zipfile.ZipInfo(RECORDING), "w", force_zip64=True) as member,
                    store.open("rb") as source,
                ):
                    shutil.copyfileobj(source, member)

    try:
        write_whole(path, write)
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror or error})") from None
    return vehicle


def hide_name(vehicle: str) -> str:
    """Give the name under which a vehicle travels: one and the same, but not its own.

    Parameters
    ----------
    vehicle : str

    Returns
    -------
    name : str
        A slow hash (PBKDF2, RFC 8018): who knows a plate can check it, trying all takes long.

    Examples
    --------
    >>> hide_name("van-017") == hide_name("van-017"), hide_name("van-017") == hide_name("van-018")
    (True, False)
    """
    digest = hashlib.pbkdf2_hmac("sha256", vehicle.encode("utf-8"), b"misfire-case", ROUNDS)
    return f"vehicle-{digest.hex()[:16]}"


def _leave_out_names(recording: Recording, vehicle: str) -> Recording:
    """Name vehicle, files and channels anew, and leave out the card's text and note."""
    names = {c.name: f"{c.role}_{i}" for i, c in enumerate(recording.channels, start=1)}
    clocks = {
        clock: f"clock_{i}" if clock else ""  # often named by its file
        for i, clock in enumerate(dict.fromkeys(c.clock for c in recording.channels), start=1)
    }
    old = {new: name for name, new in names.items()}
    files = {f for card in recording.job.channels for f in card.parts or (card.file,)}
    hidden = dict.fromkeys(sorted(files, key=len, reverse=True), RECORDING) | names

    def hide(text: str) -> str:
        for name, new in hidden.items():
            text = text.replace(name, new) if name else text
        return text.replace(recording.job.vehicle_id or vehicle, vehicle)

    cards = tuple(
        replace(
            card,
            file=RECORDING,
            name=names.get(card.name, f"{card.role}_0"),
            column=card.column if isinstance(card.column, int) else 0,
            parts=(),
            part_start_s=(),
        )
        for card in recording.job.channels
    )
    findings = tuple(
        Finding(f.code, f.severity, hide(f.message), names.get(f.channel, ""))
        for f in recording.findings
    )
    return replace(
        recording,
        job=replace(recording.job, vehicle_id=vehicle, channels=cards, note="", text=NO_CARD),
        channels=tuple(
            replace(c, name=names[c.name], clock=clocks[c.clock]) for c in recording.channels
        ),
        read=lambda name, start, stop: recording.read(old[name], start, stop),
        read_levels=lambda name: recording.read_levels(old[name]),
        findings=findings,
    )


@contextmanager
def open_cases(places: Iterable[Path]) -> Iterator[list[CaseFolder]]:
    """Find every labelled case in folders and case files; what was unpacked goes at the end.

    Parameters
    ----------
    places : iterable of Path
        Folders as for `find_cases`, and case files.

    Yields
    ------
    cases : list of CaseFolder
        Those of folders first.

    Raises
    ------
    FormatError
        If a folder holds no case, or a file is none.
    """
    folders = [p for p in places if not p.is_file()]
    files = sorted({p.resolve(): p for p in places if p.is_file()}.values())
    found = find_cases(folders)
    if not files:  # nothing to unpack: no room is asked for
        yield found
        return
    with tempfile.TemporaryDirectory(prefix="misfire-cases-") as name:
        for number, path in enumerate(files):
            folder = Path(name) / f"{number:06d}"
            folder.mkdir()
            found.append(unpack_case(path, folder))
        yield found


def unpack_case(path: Path, folder: Path) -> CaseFolder:
    """Unpack a case file.

    Parameters
    ----------
    path : Path
    folder : Path
        Empty.

    Returns
    -------
    case : CaseFolder

    Raises
    ------
    FormatError
        If it is no case file, or too large.
    """
    bounds = {TRUTH: LARGEST_TRUTH, RECORDING: LARGEST_RECORDING}
    wrong = f"{path}: no case file as `misfire confirm --bundle` writes them"
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
            if sorted(m.filename for m in members) != sorted(bounds):
                raise FormatError(f"{wrong}: it must hold {' and '.join(bounds)}, nothing else")
            for member in members:
                plain = member.compress_type == zipfile.ZIP_STORED and not member.flag_bits & 1
                if not plain or member.file_size != member.compress_size:
                    raise FormatError(f"{wrong}: {member.filename} is packed")
                if member.file_size > bounds[member.filename]:
                    raise FormatError(f"{path}: {member.filename} is too large for a case")
                target = folder / member.filename
                with archive.open(member) as source, target.open("wb") as file:
                    shutil.copyfileobj(source, file)
    except (
        *(OSError, ValueError, EOFError, RuntimeError, NotImplementedError),
        *(zipfile.BadZipFile, OverflowError, MemoryError),
    ) as error:
        if isinstance(error, FormatError):
            raise
        raise FormatError(f"{wrong} ({error})") from None
    case = read_case(folder)
    named = case.truth.get("recording")
    if not isinstance(named, dict) or named.get("file") != RECORDING:
        raise FormatError(f"{path}: its truth names another recording than its own")
    return case
