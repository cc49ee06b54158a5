"""What is done with one recording, within a process of its own: identify it, judge it."""

from __future__ import annotations

import dataclasses
import errno
import json
import os
import re
import shutil
import tempfile
import time
from functools import lru_cache
from pathlib import Path
from typing import Any

from misfire.childprocess import Replies
from misfire.classify.bundle import load_bundle
from misfire.classify.model import Model
from misfire.diagnosis.chain import diagnose_recording
from misfire.diagnosis.shipped import load_shipped
from misfire.errors import MisfireError, ModelError, OutputError
from misfire.fleet.digest import build_digest
from misfire.fleet.folder import RESULTS, make_printable, make_signature
from misfire.fleet.key import compute_key, compute_model_hash, compute_pipeline, read_content
from misfire.measuring.opening import open_recording
from misfire.publishing import read_umask, write_whole
from misfire.report.diagnosis.files import write_reports

DIGEST = "digest.json"
UNFINISHED = ".unfinished-"
_PASSING = {errno.EIO, errno.ETIMEDOUT, errno.EAGAIN, getattr(errno, "ESTALE", -1)}
_RETRIES_S = (0.2, 1.0, 3.0)  # a network share may be away for a moment


def do_task(task: dict[str, Any], replies: Replies) -> dict[str, Any]:
    """Do one task in a worker process, with temporary files in a folder that its starter removes.

    Parameters
    ----------
    task : dict
        As for `run_task`, and `temporary`: the folder.
    replies : Replies

    Returns
    -------
    fields : dict
        `outcome`, that of `run_task`.
    """
    from threadpoolctl import threadpool_limits

    threadpool_limits(limits=1)  # one thread for algebra: other workers need the cores
    os.environ["TMPDIR"] = tempfile.tempdir = task["temporary"]
    return {"outcome": run_task(task)}


def run_task(task: dict[str, Any]) -> dict[str, Any]:
    """Do one task; what cannot be used is told in the outcome, not raised.

    Parameters
    ----------
    task : dict
        `op` ("identify" or "judge"), `name`, `path`, `kind`, `files`, `signature`, `root`, `out`,
        `pipeline`, `model` (a path or None), `model_hash`; for "judge" also `key`, `folder`.

    Returns
    -------
    outcome : dict
        `state`: "identified", "judged", "failed" (the recording's fault), "changed" (it grew while
        it was read) or "stop" (no other recording can fare better); with `code` and `message`.
    """
    if task["pipeline"] != compute_pipeline():
        return _stop(
            "version", "a worker runs another version of the program, or it was changed; run again"
        )
    if task["model_hash"] != compute_model_hash(_as_path(task["model"])):
        return _stop("version", "a worker has another model; install the same everywhere")
    if not os.path.isdir(os.path.join(task["out"], RESULTS)):
        return _stop("output", "a worker does not see the folder of the results; it must be shared")
    waits = iter(_RETRIES_S)
    while True:
        try:
            made = _identify(task) if task["op"] == "identify" else _judge(task)
        except (OutputError, ModelError) as error:
            return _stop(error.code, str(error))
        except MisfireError as error:
            code = "no_card" if task["kind"] == "raw" else error.code
            made = _fail(task, code, str(error))
        except MemoryError:
            made = _fail(task, "memory", "needs more memory than it is allowed")
        except OSError as error:
            wait = next(waits, None)
            if error.errno in _PASSING and wait is not None:
                time.sleep(wait)
                continue
            made = _fail(task, "io", f"cannot be read ({error.strerror or error})")
        if make_signature(tuple(task["files"]))[0] != task["signature"]:
            return {
                "state": "changed",
                "code": "changed",
                "message": "was changed while it was read; run again when it is complete",
            }
        return made


def is_done(out: Path, folder: str) -> bool:
    """Tell whether a result stands complete: it is renamed into place as a whole.

    Parameters
    ----------
    out : Path
    folder : str
    """
    return bool(folder) and (out / RESULTS / folder / DIGEST).is_file()


def name_result(vehicle: str, key: str) -> str:
    """Name the folder of a result: what can be read of the vehicle, and the key.

    Examples
    --------
    >>> name_result("van 17/ä", "0123456789abcdef01234567")
    'van_17-0123456789abcdef'
    """
    slug = re.sub(r"[^A-Za-z0-9.-]+", "_", vehicle).strip("._-")[:40] or "vehicle"
    return f"{slug}-{key[:16]}"


def _identify(task: dict[str, Any]) -> dict[str, Any]:
    """Find out what a recording is and which key its result has."""
    if task["kind"] == "raw":
        open_recording(task["path"]).close()  # says that a job card is needed
    job, content, twin = read_content(task["path"], task["kind"])
    name = os.path.basename(task["path"])
    key = compute_key(content, name=name, pipeline=task["pipeline"], model=task["model_hash"])
    folder = name_result(job.vehicle_id, key)
    return {
        "state": "identified",
        "content": content,
        "twin": twin,
        "key": key,
        "vehicle": job.vehicle_id,
        "folder": folder,
    }


def _judge(task: dict[str, Any]) -> dict[str, Any]:
    """Diagnose a recording and publish its result folder in one step."""
    out = Path(task["out"])
    started = time.monotonic()
    if not is_done(out, task["folder"]):
        model = _load_model(task["model"])
        recording = open_recording(task["path"], hash_source=False)
        try:
            if not recording.sha256:
                recording = dataclasses.replace(recording, sha256=task["content"])
            diagnosis = diagnose_recording(recording, model=model)
        finally:
            recording.close()
        digest = build_digest(diagnosis)
        results = out / RESULTS
        try:
            staging = Path(tempfile.mkdtemp(prefix=f"{UNFINISHED}{task['key'][:8]}-", dir=results))
        except OSError as error:
            raise OutputError(f"{results}: cannot be written ({error.strerror})") from None
        try:
            write_reports(diagnosis, staging)
            _publish(staging, results / task["folder"], digest)
        finally:
            shutil.rmtree(staging, ignore_errors=True)
    return {"state": "judged", "seconds": round(time.monotonic() - started, 3)}


def _publish(staging: Path, place: Path, digest: dict[str, Any]) -> None:
    """Add the digest, make all of it last, and rename; another's same result is left alone."""
    text = json.dumps(digest, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
    try:
        write_whole(staging / DIGEST, text.encode("utf-8"))
        os.chmod(staging, 0o777 & ~read_umask())
        if place.is_dir() and not (place / DIGEST).is_file():
            shutil.rmtree(place, ignore_errors=True)  # somebody took parts of it away
        try:
            os.rename(staging, place)
        except OSError:
            if not (place / DIGEST).is_file():
                raise
    except OSError as error:
        raise OutputError(f"{place}: cannot be written ({error.strerror})") from None


@lru_cache(maxsize=2)
def _load_model(model: str | None) -> Model | None:
    """Load a model once in a process."""
    return load_shipped() if model is None else load_bundle(Path(model))


def _as_path(model: str | None) -> Path | None:
    """Give the bundle's path, if there is one."""
    return None if model is None else Path(model)


def _fail(task: dict[str, Any], code: str, message: str) -> dict[str, Any]:
    """Say why a recording cannot be judged; names are relative to the screened folder."""
    text = make_printable(" ".join(message.split())) if os.sep == "/" else message
    root = make_printable(task["root"])
    text = text.replace(f"{root.rstrip('/')}/", "")
    return {"state": "failed", "code": code, "message": text.removeprefix(f"{task['name']}: ")}


def _stop(code: str, message: str) -> dict[str, Any]:
    """Say why the whole run has to stop."""
    return {"state": "stop", "code": code, "message": message}
