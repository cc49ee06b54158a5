"""Screening: every recording under a folder judged once, the fleet's page and tables made of it.

A fleet is a function of its recordings: a worker process does one recording at a time and renames
its finished folder into `results/`; the coordinator only notes outcomes (`fleet/catalogue.py`) and
makes `fleet.*` from the folders' `digest.json`. So a killed run resumes, and order, workers and
clusters cannot change a byte; times and hosts stand in the catalogue only.
`scripts/fleet_trial.py` tries it in full size.
"""

from __future__ import annotations

import os
import shutil
import socket
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import Any

from misfire.classify.bundle import load_bundle
from misfire.diagnosis.shipped import load_shipped
from misfire.errors import AlignError, MisfireError, OutputError
from misfire.fleet.catalogue import Catalogue
from misfire.fleet.folder import RESULTS, FoundRecording, Scan, find_sources
from misfire.fleet.key import compute_model_hash, compute_pipeline
from misfire.fleet.lock import lock_folder
from misfire.fleet.pool import LocalPool, Pool
from misfire.fleet.publish import publish_fleet, read_digest, sweep
from misfire.fleet.settings import Screening, ScreenProgress, ScreenSettings
from misfire.fleet.summary import build_fleet
from misfire.fleet.task import is_done

Row = dict[str, Any]
AGAIN = ("changed", "io")  # failures that may pass by themselves


def screen(
    folder: Path | str,
    out: Path | str,
    *,
    settings: ScreenSettings | None = None,
    progress: Callable[[ScreenProgress], None] | None = None,
    stopped: Callable[[], bool] = lambda: False,
) -> Screening:
    """Judge every job card and recording under a folder; what is done already is not done again.

    Parameters
    ----------
    folder : path
        Only read.
    out : path
        Gets results/, catalogue.sqlite, fleet.html, fleet.csv, fleet.parquet, fleet.json.
    settings : ScreenSettings, optional
    progress : callable, optional
    stopped : callable
        Asked again and again; once true, running work is broken off and the page is made of what
        is there.

    Returns
    -------
    screening : Screening

    Raises
    ------
    FormatError
        If the folder cannot be read.
    OutputError
        If `out` cannot be used, or another screening is at work there.
    ModelError
        If the model does not fit.
    """
    with open_screen(folder, out, settings=settings or ScreenSettings()) as run:
        return run.once(find_sources(run.folder, skip=run.out), progress, stopped)


@contextmanager
def open_screen(
    folder: Path | str, out: Path | str, *, settings: ScreenSettings
) -> Iterator[ScreenRun]:
    """Lock the results folder, open its catalogue, start the workers."""
    folder, out = Path(os.path.abspath(folder)), Path(os.path.abspath(out))
    if out.exists() and folder.exists() and out.samefile(folder):
        raise OutputError(f"{out}: is the folder with the recordings; choose another with -o")
    find_sources(folder, skip=out) if not folder.is_dir() else None
    if settings.model is None:
        load_shipped()  # refuses now what no recording could do with
    else:
        load_bundle(settings.model)
    try:
        (out / RESULTS).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{out}: cannot be made ({error.strerror}); choose another") from None
    with lock_folder(out):
        mark = sha256(os.fsencode(os.path.realpath(out))).hexdigest()[:12]
        scratch = _make_scratch(f"misfire-screen-{mark}")
        sweep(out)
        try:
            catalogue = Catalogue(out)
        except OutputError:
            shutil.rmtree(scratch, ignore_errors=True)
            raise
        try:
            pool = _make_pool(settings, scratch)
            try:
                yield ScreenRun(folder, out, settings, catalogue, pool)
            finally:
                pool.close()
                sweep(out)
        finally:
            catalogue.close()
            shutil.rmtree(scratch, ignore_errors=True)


def _make_scratch(name: str) -> Path:
    """Make the folder of the workers' temporary files; what a killed run left in it goes."""
    try:
        scratch = Path(tempfile.gettempdir()) / name
        shutil.rmtree(scratch, ignore_errors=True)
        scratch.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"no temporary folder can be made ({error.strerror}); set TMPDIR to a folder with room"
        ) from None
    return scratch


def _make_pool(settings: ScreenSettings, scratch: Path) -> Pool:
    """Choose where the work is done."""
    if settings.scheduler is None:
        return LocalPool(settings.workers, settings.limits, scratch=scratch)
    from misfire.fleet.cluster import ClusterPool

    return ClusterPool(settings.scheduler, settings.limits)


class ScreenRun:
    """One run on a locked results folder."""

    def __init__(
        self, folder: Path, out: Path, settings: ScreenSettings, catalogue: Catalogue, pool: Pool
    ) -> None:
        """Keep what the run works with."""
        self.folder, self.out = folder, out
        self._settings, self._catalogue, self._pool = settings, catalogue, pool
        self._pipeline = compute_pipeline()
        self._model = compute_model_hash(settings.model)
        self._retry = settings.retry

    def once(
        self,
        scan: Scan,
        progress: Callable[[ScreenProgress], None] | None = None,
        stopped: Callable[[], bool] = lambda: False,
    ) -> Screening:
        """Do what is new or changed, then publish the fleet."""
        started = time.monotonic()
        rows = self._catalogue.read()
        number = self._catalogue.start_run(
            pipeline=self._pipeline,
            model=self._model,
            workers=self._settings.scheduler or str(self._settings.workers),
            found=len(scan.sources),
        )
        state = "failed"
        try:
            fresh = [s for s in scan.sources if not self._is_known(s, rows.get(s.name))]
            self._retry = False  # once a run, not at every look of a watch
            self._do("identify", fresh, rows, progress, stopped)
            copies = find_copies(scan.sources, rows)
            todo, shared = self._share_keys(scan.sources, rows, copies)
            n_new = len(todo)
            self._do("judge", todo, rows, progress, stopped)
            self._share_outcome(shared, rows)
            screening = self._publish(scan, rows, copies, n_new, started)
            state = "complete" if screening.complete else "interrupted"
            return screening
        finally:
            done = [r for r in rows.values() if r["state"] in ("judged", "failed")]
            self._catalogue.end_run(
                number,
                state=state,
                judged=sum(r["state"] == "judged" for r in done),
                failed=sum(r["state"] == "failed" for r in done),
                seconds=round(time.monotonic() - started, 3),
            )

    def list_known(self, sources: Iterable[FoundRecording]) -> set[str]:
        """Name the recordings that are in the catalogue as they are now."""
        rows = self._catalogue.read()
        return {s.name for s in sources if self._is_known(s, rows.get(s.name))}

    def _is_known(self, source: FoundRecording, row: Row | None) -> bool:
        """Tell whether the catalogue knows a recording as it is now, by the same program."""
        if row is None or row["signature"] != source.signature or row["kind"] != source.kind:
            return False
        if row["pipeline"] != self._pipeline or row["model"] != self._model:
            return False
        if row["state"] == "failed":
            return not (self._retry or row["code"] in AGAIN)
        return bool(row["key"])

    def _do(
        self,
        op: str,
        sources: list[FoundRecording],
        rows: dict[str, Row],
        progress: Callable[[ScreenProgress], None] | None,
        stopped: Callable[[], bool],
    ) -> None:
        """Do one operation on recordings and keep each outcome as it comes."""
        stage = {"identify": "reading", "judge": "judging"}[op]
        started, n_failed, done_bytes = time.monotonic(), 0, 0
        total_bytes = sum(s.size for s in sources) or 1
        by_name = {s.name: s for s in sources}
        tasks = [self._make_task(op, s, rows.get(s.name)) for s in sources]
        if progress is not None:
            progress(ScreenProgress(stage, 0, len(tasks), 0, 0.0, None))
        for done, (task, outcome) in enumerate(self._pool.run(tasks, stopped=stopped), 1):
            if outcome["state"] == "stop":
                kind = {"output": OutputError, "align": AlignError}.get(
                    outcome["code"], MisfireError
                )
                raise kind(outcome["message"])
            source = by_name[task["name"]]
            self._keep(source, outcome, rows)
            n_failed += outcome["state"] in ("failed", "changed")
            done_bytes += source.size
            if progress is not None:
                spent = time.monotonic() - started
                share = max(done_bytes / total_bytes, 1e-9)
                progress(
                    ScreenProgress(
                        stage,
                        done,
                        len(tasks),
                        n_failed,
                        60.0 * done / max(spent, 1e-6),
                        spent * (1 - share) / share,
                    )
                )

    def _make_task(self, op: str, source: FoundRecording, row: Row | None) -> dict[str, Any]:
        """Write down what a worker has to do."""
        task = {
            "op": op,
            "name": source.name,
            "path": source.path,
            "kind": source.kind,
            "files": list(source.files),
            "signature": source.signature,
            "size": source.size,
            "root": str(self.folder),
            "out": str(self.out),
            "pipeline": self._pipeline,
            "model": None if self._settings.model is None else str(self._settings.model),
            "model_hash": self._model,
        }
        if row is not None:
            task |= {"key": row["key"], "folder": row["folder"], "content": row["content"]}
        return task

    def _keep(self, source: FoundRecording, outcome: dict[str, Any], rows: dict[str, Row]) -> None:
        """Write an outcome into the catalogue."""
        same = rows.get(source.name, {}) if outcome["state"] == "judged" else {}
        row: Row = {
            **same,
            "name": source.name,
            "kind": source.kind,
            "signature": source.signature,
            "pipeline": self._pipeline,
            "model": self._model,
            "size": source.size,
            "code": "",
            "message": "",
            "host": outcome.get("host", socket.gethostname()),
            **{k: v for k, v in outcome.items() if k not in ("host",)},
        }
        tried = int(rows.get(source.name, {}).get("attempts") or 0)
        row["attempts"] = tried + (outcome["state"] != "identified")
        if row["state"] == "changed":
            row["state"] = "failed"
        if row["state"] == "failed":
            earlier = rows.get(source.name, {})
            if earlier.get("signature") == source.signature:  # what it was known by stays known
                row = {**earlier, **row}
        if row["state"] == "judged":
            digest = read_digest(self.out, row["folder"])
            row |= {
                "verdict": digest["verdict"],
                "suspects": " ".join(map(str, digest["suspects"])),
            }
        self._catalogue.write(row)
        rows[source.name] = row

    def _share_keys(
        self, sources: tuple[FoundRecording, ...], rows: dict[str, Row], copies: dict[str, str]
    ) -> tuple[list[FoundRecording], dict[str, list[FoundRecording]]]:
        """List what has to be judged: one recording for each key, the others share its outcome."""
        todo: list[FoundRecording] = []
        shared: dict[str, list[FoundRecording]] = {}
        for source in sources:
            row = rows.get(source.name)
            if row is None or row["state"] == "failed" or source.name in copies:
                continue
            if not row["key"] or row["signature"] != source.signature:
                continue
            if is_done(self.out, row["folder"]):
                if row["state"] != "judged":  # killed between the result and its note
                    self._keep(source, {"state": "judged"}, rows)
            elif row["key"] in shared:
                shared[row["key"]].append(source)
            else:
                shared[row["key"]] = [source]
                todo.append(source)
        return todo, shared

    def _share_outcome(self, shared: dict[str, list[FoundRecording]], rows: dict[str, Row]) -> None:
        """Give recordings of the same content the outcome of the one that was judged."""
        for first, *others in shared.values():
            row = rows[first.name]
            for other in others:
                if row["state"] == "judged":
                    self._keep(other, {"state": "judged"}, rows)
                elif row["state"] == "failed":
                    told = {k: row[k] for k in ("state", "code", "message")}
                    self._keep(other, told, rows)

    def _publish(
        self,
        scan: Scan,
        rows: dict[str, Row],
        copies: dict[str, str],
        n_new: int,
        started: float,
    ) -> Screening:
        """Make the fleet's document of all results and write its files."""
        here = {s.name: s for s in scan.sources}
        current = {
            name: row
            for name, row in rows.items()
            if name in here and row["signature"] == here[name].signature
        }
        judged = [
            {**read_digest(self.out, row["folder"]), "name": name, "gone": False}
            | {"folder": row["folder"]}
            for name, row in current.items()
            if row["state"] == "judged" and name not in copies and is_done(self.out, row["folder"])
        ]
        failed = [
            row for name, row in current.items() if row["state"] == "failed" and name not in copies
        ]
        n_open = len(here) - len(judged) - len(failed) - len(copies) + len(scan.waiting)
        kept = {row["folder"] for row in judged}
        contents = {row.get(k) for row in current.values() for k in ("content", "twin")}
        dropped = []
        for name, row in rows.items():
            if name in current or name in scan.waiting:
                continue
            is_gone = name not in here and row["state"] == "judged"
            if is_gone and row["content"] not in contents and is_done(self.out, row["folder"]):
                digest = read_digest(self.out, row["folder"])
                judged.append({**digest, "name": name, "gone": True, "folder": row["folder"]})
                kept.add(row["folder"])
            elif name not in here:
                dropped.append(name)
        fleet = build_fleet(
            judged,
            failed,
            copies=[(a, b) for a, b in copies.items() if a in here],
            blocked=scan.blocked,
            open_count=n_open,
            pipeline=self._pipeline,
            model=self._model,
        )
        written = publish_fleet(fleet, self.out)
        if not n_open:  # only now: a run that is broken off takes nothing away
            self._catalogue.remove(dropped)
            for place in sorted((self.out / RESULTS).iterdir()):
                if place.name not in kept:
                    shutil.rmtree(place, ignore_errors=True)
        run = {
            "judged_now": n_new,
            "seconds": round(time.monotonic() - started, 1),
            "complete": not n_open,
        }
        return Screening(fleet, run, written)


def find_copies(sources: tuple[FoundRecording, ...], rows: dict[str, Row]) -> dict[str, str]:
    """Find stored recordings whose source is judged from its job card, or from an earlier copy.

    Parameters
    ----------
    sources : tuple of FoundRecording
        In the order of their names.
    rows : dict of name to row

    Returns
    -------
    copies : dict of name to name
        The copy and what it is a copy of.
    """
    cards: dict[str, str] = {}
    for source in sources:
        row = rows.get(source.name)
        if source.kind == "card" and row is not None and row.get("content"):
            cards.setdefault(row["content"], source.name)
    copies: dict[str, str] = {}
    stores: dict[str, str] = {}
    for source in sources:
        row = rows.get(source.name)
        twin = row.get("twin") if row is not None else ""
        if source.kind != "store" or not twin:
            continue
        if twin in cards:
            copies[source.name] = cards[twin]
        elif twin in stores:
            copies[source.name] = stores[twin]
        else:
            stores[twin] = source.name
    return copies
