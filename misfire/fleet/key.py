"""What a result rests on: content of the recording, version of the pipeline, model."""

from __future__ import annotations

import hashlib
import os
from functools import lru_cache
from pathlib import Path

from misfire import __version__
from misfire.align.store import open_store
from misfire.classify.bundle import MANIFEST
from misfire.diagnosis.shipped import find_shipped
from misfire.errors import FormatError
from misfire.fleet.digest import SCHEMA
from misfire.fleet.folder import Kind
from misfire.ingest.jobcard import read_job_card
from misfire.ingest.parts import list_files
from misfire.ingest.reading import compute_source_hash
from misfire.records import JobCard
from misfire.resources import hash_rooms

_BLOCK = 1 << 20
# Rooms whose code bears on what is said of one recording. The pages do not: who wants a reworded
# page of an old result runs `diagnose`.
ROOMS = (
    *("columns", "limits", "numerals", "records", "dsp", "ingest", "align", "events", "cycles"),
    *("features", "classify", "measuring", "fitness", "diagnosis"),
)


@lru_cache(maxsize=1)
def compute_pipeline() -> str:
    """Give the version of the pipeline: that of the package and a hash of its code.

    Returns
    -------
    pipeline : str
        "version+12 hexadecimal digits.n", n the version of the digest's form; with other code in a
        judging room every recording is judged again.
    """
    return f"{__version__}+{hash_rooms(ROOMS)[:12]}.{SCHEMA[-1]}"


def compute_model_hash(model: Path | None) -> str:
    """Give a hash of a model bundle's manifest, which holds those of its members.

    Parameters
    ----------
    model : Path or None
        None: the shipped one.

    Returns
    -------
    hash : str
        16 hexadecimal digits; "physics" where there is no model.
    """
    folder = find_shipped() if model is None else model
    try:
        return hashlib.sha256((folder / MANIFEST).read_bytes()).hexdigest()[:16]
    except OSError:
        return "physics"


def read_content(path: str, kind: Kind) -> tuple[JobCard, str, str]:
    """Read a recording's job card and hash its content.

    Parameters
    ----------
    path : str
    kind : {"card", "store"}

    Returns
    -------
    job : JobCard
    content : str
        SHA-256 of card and raw files, or of the stored recording.
    twin : str
        SHA-256 of what a stored recording was made from; "" of a card.

    Raises
    ------
    MisfireError
        If it cannot be used.
    """
    if kind == "card":
        job = read_job_card(path)
        for name in list_files(job):
            _check_regular(path, job, name)
        return job, compute_source_hash(job), ""
    recording = open_store(path)
    recording.close()
    digest = hashlib.sha256()
    with open(path, "rb") as file:
        while block := file.read(_BLOCK):
            digest.update(block)
    return recording.job, digest.hexdigest(), recording.sha256


def compute_key(content: str, *, name: str, pipeline: str, model: str) -> str:
    """Give the key of a result: the same key means the same bytes.

    Parameters
    ----------
    content : str
    name : str
        The file's own name, which the report tells.
    pipeline, model : str

    Returns
    -------
    key : str
        40 hexadecimal digits.
    """
    text = "\0".join((content, name, pipeline, model))
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:40]


def _check_regular(path: str, job: JobCard, name: str) -> None:
    """Refuse a raw file that is not there or no file; reading a pipe would never end."""
    place = os.path.join(job.folder, name)
    if not os.path.exists(place):
        raise FormatError(
            f'{path}: the raw file "{place}" does not exist; put it there or correct the name'
        )
    if not os.path.isfile(place):
        raise FormatError(f"{place}: is no regular file; put the recorded data there")
