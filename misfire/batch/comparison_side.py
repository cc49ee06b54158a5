"""One side of a comparison: what a recording, a job card or a result folder tells."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from misfire.batch.chain import diagnose
from misfire.errors import FormatError
from misfire.records import EVENT_COLUMNS, Diagnosis
from misfire.report.files import EVENTS, RESULT
from misfire.report.summary import SCHEMA, build_summary

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[str, float], None]
UNNUMBERED = "cylinders_unknown"  # as the quality notes of a result have it


@dataclass(frozen=True, slots=True)
class Side:
    """A diagnosed recording, as far as a comparison needs it.

    `summary` is the document of result.json. `events` has EVENT_COLUMNS. `ignition` is empty and
    `angles_deg` even where only a result folder tells. `mates` holds the cylinders that this
    recording cannot tell apart.
    """

    name: str
    summary: dict[str, Any]
    events: pd.DataFrame
    order: tuple[int, ...]
    ignition: str
    angles_deg: tuple[float, ...]
    mates: dict[int, int]
    witnesses: dict[int, frozenset[str]]

    @property
    def cylinders(self) -> tuple[int, ...]:
        """The cylinders, ascending."""
        return tuple(sorted(self.order))

    def column(self, name: str) -> NDArray[np.float64]:
        """Values of one column of the events [shape=(n_firings,)]."""
        return np.asarray(self.events[name].to_numpy(dtype=float), dtype=np.float64)

    def flagged(self, flag: str) -> NDArray[np.bool_]:
        """Which firings carry a flag [shape=(n_firings,)]."""
        text, at = np.unique(
            self.events["flags"].fillna("").to_numpy(dtype=str), return_inverse=True
        )
        return np.asarray(np.char.find(text, flag) >= 0)[at]

    @property
    def is_unnumbered(self) -> bool:
        """Whether nothing told which cylinder is which: the numbers may be turned."""
        notes = self.summary.get("quality", [])
        return any(note.get("code") == UNNUMBERED for note in notes)

    def turn(self, steps: int) -> Side:
        """Give every cylinder the number of the one that fires `steps` later."""
        n = len(self.order)
        to = {c: self.order[(i + steps) % n] for i, c in enumerate(self.order)}
        cylinders = [{**c, "cylinder": to[c["cylinder"]]} for c in self.summary["cylinders"]]
        return replace(
            self,
            summary=self.summary | {"cylinders": cylinders},
            events=self.events.assign(cylinder=self.events["cylinder"].map(to)),
            mates={to[a]: to[b] for a, b in self.mates.items()},
            witnesses={to[c]: w for c, w in self.witnesses.items()},
        )

    def result_of(self, cylinder: int) -> dict[str, Any]:
        """Give what result.json says of one cylinder."""
        for entry in self.summary["cylinders"]:
            if entry["cylinder"] == cylinder:
                return dict(entry)
        return {"cylinder": cylinder, "probability": 0.0, "faults": []}


def load_side(path: Path | str, *, name: str, progress: Progress | None = None) -> Side:
    """Diagnose a recording or job card, or read the result folder of an earlier `diagnose`.

    Parameters
    ----------
    path : path
    name : str
        What the side is called in messages and in the page: `before` or `after`.
    progress : callable (stage, fraction), optional

    Returns
    -------
    side : Side

    Raises
    ------
    FormatError
        If a folder holds no result of `diagnose`, or one that does not fit together.
    MisfireError
        Whatever `diagnose` refuses.
    """
    path = Path(path)
    if path.is_dir():
        return _read_folder(path, name)
    if path.name == RESULT:
        return _read_folder(path.parent, name)

    def report(stage: str, fraction: float) -> None:
        if progress is not None:
            progress(f"{name}: {stage}", fraction)

    return make_side(diagnose(path, progress=report), name=name)


def make_side(diagnosis: Diagnosis, *, name: str) -> Side:
    """Take from a diagnosis what a comparison needs.

    Parameters
    ----------
    diagnosis : Diagnosis
    name : str

    Returns
    -------
    side : Side
    """
    engine = diagnosis.job.engine
    return _make(
        name,
        build_summary(diagnosis),
        diagnosis.events,
        order=engine.firing_order,
        ignition=engine.ignition,
        angles_deg=engine.firing_angles_deg,
    )


def _read_folder(folder: Path, name: str) -> Side:
    """Read result.json and events.parquet of one folder."""
    import pandas as pd
    import pyarrow as pa

    paths = folder / RESULT, folder / EVENTS
    for path in paths:
        if not path.is_file():
            raise FormatError(
                f"{folder}: no {path.name} in this folder; give a recording, a job card, or the "
                "folder that `misfire diagnose -o` wrote"
            )
    try:
        summary = json.loads(paths[0].read_text(encoding="utf-8"))
    except ValueError as error:
        raise FormatError(f"{paths[0]}: not JSON ({error}); run `misfire diagnose` again") from None
    wanted = ("cylinders", "verdict", "witnesses", "settings", "vehicle", "duration_s")
    if not isinstance(summary, dict) or summary.get("schema") != SCHEMA:
        raise FormatError(f"{paths[0]}: field schema is not {SCHEMA}; run `misfire diagnose` again")
    missing = [field for field in wanted if field not in summary]
    if missing:
        raise FormatError(
            f"{paths[0]}: field {missing[0]} is missing; run `misfire diagnose` again"
        )
    try:
        events = pd.read_parquet(paths[1])
    except (OSError, ValueError, pa.ArrowException) as error:
        raise FormatError(
            f"{paths[1]}: not readable as Parquet ({error}); run `misfire diagnose` again"
        ) from None
    absent = [column for column in EVENT_COLUMNS if column not in events.columns]
    if absent or len(events) != summary.get("events"):
        what = f"column {absent[0]} is missing" if absent else f"does not belong to {paths[0].name}"
        raise FormatError(f"{paths[1]}: {what}; run `misfire diagnose` again")
    numbers = sorted(int(c["cylinder"]) for c in summary["cylinders"])
    order = _find_order(events["cylinder"].to_numpy(dtype=int), numbers)
    even = tuple(720.0 * i / len(order) for i in range(len(order)))
    return _make(name, summary, events, order=order, ignition="", angles_deg=even)


def _find_order(cylinder: NDArray[np.int64], numbers: list[int]) -> tuple[int, ...]:
    """Work the firing order out of the sequence of events."""
    order = [numbers[0]]
    while len(order) < len(numbers):
        after = cylinder[1:][cylinder[:-1] == order[-1]]
        after = after[~np.isin(after, order)]
        if not after.size:
            order += [c for c in numbers if c not in order]
            break
        values, counts = np.unique(after, return_counts=True)
        order.append(int(values[np.argmax(counts)]))
    return tuple(order)


def _make(
    name: str,
    summary: dict[str, Any],
    events: pd.DataFrame,
    *,
    order: tuple[int, ...],
    ignition: str,
    angles_deg: tuple[float, ...],
) -> Side:
    """Fill in what the summary tells."""
    mates: dict[int, int] = {}
    if summary["settings"].get("phase") == "open":
        angle = dict(zip(order, angles_deg, strict=True))
        mates = {
            a: b for a in order for b in order if a != b and abs(abs(angle[a] - angle[b]) - 360) < 1
        }
    return Side(
        name=name,
        summary=summary,
        events=events,
        order=order,
        ignition=ignition,
        angles_deg=angles_deg,
        mates=mates,
        witnesses={int(c): frozenset(w) for c, w in summary["witnesses"].items()},
    )
