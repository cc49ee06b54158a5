"""One side of a comparison: what a recording, a job card or a result folder tells."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from misfire.diagnosis.chain import diagnose
from misfire.errors import FormatError
from misfire.records import EVENT_COLUMNS, Diagnosis
from misfire.report.diagnosis.files import EVENTS, RESULT
from misfire.report.summary import LOST, SCHEMA, build_summary

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[str, float], None]
UNNUMBERED = "cylinders_unknown"  # as the quality notes of a result have it
HALF = 0.5  # share of the most losses that counts as losing as much


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

    def is_state(self, axis: str, states: tuple[str, ...]) -> NDArray[np.bool_]:
        """Which firings are in one of the states of `spark` or `work` [shape=(n_firings,)]."""
        return np.asarray(self.events[axis].isin(states).to_numpy(dtype=bool))

    def flagged(self, flag: str) -> NDArray[np.bool_]:
        """Which firings carry a flag [shape=(n_firings,)]."""
        text, at = np.unique(
            self.events["flags"].fillna("").to_numpy(dtype=str), return_inverse=True
        )
        return np.asarray(np.char.find(text, flag) >= 0)[at]

    @property
    def is_unnumbered(self) -> bool:
        """Whether nothing told which cylinder is which: the numbers may be turned.

        So too where the revolution is open on an odd number of cylinders: there the other
        revolution gives every firing to another cylinder, not to one 360 degrees away.
        """
        is_open = self.summary.get("settings", {}).get("phase") == "open"
        notes = self.summary.get("quality", [])
        return (is_open and len(self.order) % 2 == 1) or any(
            note.get("code") == UNNUMBERED for note in notes
        )

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

    def probability_of(self, cylinders: tuple[int, ...]) -> float:
        """Give the probability that a cylinder is faulty; of a pair, that one of them is.

        Two that this recording cannot tell apart each have half of it.
        """
        each = [float(self.result_of(c)["probability"]) for c in cylinders]
        is_shared = len(cylinders) == 2 and self.mates.get(cylinders[0]) == cylinders[1]
        return min(1.0, sum(each)) if is_shared else max(each)

    def probability_with_mate(self, cylinder: int) -> float:
        """Give the probability that a cylinder, or the one it cannot be told from, is faulty."""
        mate = self.mates.get(cylinder)
        return self.probability_of((cylinder,) if mate is None else (cylinder, mate))


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
    if not paths[0].is_file() and (folder / "job.toml").is_file():
        raise FormatError(f"{folder}: holds a recording; give its job card, {folder / 'job.toml'}")
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


def find_most_lost(side: Side, *, least: int) -> list[int]:
    """Find the cylinders that lose the most firings.

    Parameters
    ----------
    side : Side
    least : int
        Lost firings that a cylinder must have.

    Returns
    -------
    cylinders : list of int
        That with the most, and those with half as many or more; empty where none has enough.
    """
    lost = _count_lost(side)
    most = max(lost.values())
    return [c for c, k in lost.items() if k >= max(least, HALF * most)]


def match_numbers(before: Side, after: Side) -> tuple[Side, Side]:
    """Give cylinders the same numbers in both recordings where one could not tell them.

    Parameters
    ----------
    before, after : Side

    Returns
    -------
    before, after : Side
        The numbers of the one that had no sure ones are turned along the firing order to where
        the shares lost of both agree best (sum of products); where one lost nothing, the torque
        that cylinders lack. Else what is left of a fault would be taken for another cylinder's.
    """
    if set(before.order) != set(after.order) or not (before.is_unnumbered or after.is_unnumbered):
        return before, after
    turned, kept = (after, before) if after.is_unnumbered else (before, after)
    best = 0
    for find in (_find_shares, _find_lacks):  # losses, and where one has none, the work done
        own, other = find(turned), find(kept)
        order, n = turned.order, len(turned.order)
        fit = [
            sum(own[c] * other[order[(i + steps) % n]] for i, c in enumerate(order))
            for steps in range(n)
        ]
        best = int(np.argmax(fit))  # the first of equals: no turn where none is better
        if fit[best] > 0:
            break
    if best == 0:
        return before, after
    return (before, after.turn(best)) if turned is after else (before.turn(best), after)


def _find_shares(side: Side) -> dict[int, float]:
    """Give the share of firings that each cylinder lost."""
    number = side.column("cylinder")
    return {c: k / max(1, int((number == c).sum())) for c, k in _count_lost(side).items()}


def _find_lacks(side: Side) -> dict[int, float]:
    """Median acceleration over speed squared that each cylinder lacks against the median one."""
    number = side.column("cylinder")
    work = side.column("segment_accel") / np.square(np.maximum(side.column("rpm"), 1.0))
    middle = {}
    for c in side.cylinders:
        known = work[(number == c) & np.isfinite(work)]
        middle[c] = float(np.median(known)) if known.size else 0.0
    usual = float(np.median(list(middle.values())))
    return {c: usual - x for c, x in middle.items()}


def _count_lost(side: Side) -> dict[int, int]:
    """Count the lost firings of each cylinder."""
    lost = side.column("misfire_probability") >= LOST
    number = side.column("cylinder")
    return {c: int((lost & (number == c)).sum()) for c in side.cylinders}
