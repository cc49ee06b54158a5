"""Measured cases kept on disk: trees of records, tables and arrays as data, nothing that runs.

A file is an npz of arrays beside one JSON text that says how records are made of them; only the
records named here are ever made.
"""

from __future__ import annotations

import io
import json
import zipfile
import zlib
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from misfire import records
from misfire.columns import FIRING_COLUMNS
from misfire.errors import FormatError, OutputError
from misfire.features.compression import CompressionTable
from misfire.features.injection import InjectionTable
from misfire.features.torque import TorqueTable
from misfire.fitness.measured import Measured
from misfire.learning.cases import LabelledCase, leave_closed, refuse_reading
from misfire.measuring.detection import Detected
from misfire.measuring.evidence import Evidence
from misfire.publishing import write_whole

if TYPE_CHECKING:
    import pandas as pd

KEPT = (
    *(LabelledCase, Measured, Evidence, Detected, TorqueTable, InjectionTable, CompressionTable),
    *(records.Recording, records.JobCard, records.Engine, records.CrankWheel, records.Cam),
    *(records.ChannelCard, records.Channel, records.Finding, records.StrokeTrain),
    *(records.CrankTrack, records.Firings, records.Sheet, records.JobMark),
)
RECORDS = {kind.__name__: kind for kind in KEPT}
TEXT = "tree"  # name of the array that holds the JSON text
READING = ("read", "read_levels", "close")  # of a recording: not kept, it is closed
DEEPEST = 40  # records within records


def save_case(case: LabelledCase, path: Path) -> None:
    """Write a case under a temporary name, then rename it.

    Parameters
    ----------
    case : LabelledCase
    path : Path

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    arrays: list[tuple[Any, NDArray[Any]]] = []
    text = json.dumps(_take_apart(case, arrays))
    buffer = io.BytesIO()
    members: dict[str, Any] = {f"a{i}": array for i, (_, array) in enumerate(arrays)}
    members[TEXT] = np.frombuffer(text.encode(), np.uint8)
    np.savez_compressed(buffer, **members)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, buffer.getvalue())
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror})") from None


def load_case(path: Path) -> LabelledCase:
    """Read a case that `save_case` wrote.

    Parameters
    ----------
    path : Path

    Returns
    -------
    case : LabelledCase

    Raises
    ------
    FormatError
        If the file is damaged, or was measured with other columns.
    """
    try:
        with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as file:
            tree = json.loads(file[TEXT].tobytes())
            case = _put_together(tree, file, {})
    except (
        *(OSError, ValueError, KeyError, TypeError, IndexError, EOFError, RecursionError),
        *(zipfile.BadZipFile, zlib.error),
    ) as error:
        raise FormatError(f"{path}: damaged ({error}); delete this file") from None
    if not isinstance(case, LabelledCase) or tuple(case.table.columns) != FIRING_COLUMNS:
        raise FormatError(f"{path}: measured by another version; delete this file")
    return case


def _take_apart(value: Any, arrays: list[tuple[Any, NDArray[Any]]], depth: int = 0) -> Any:
    """Lay a tree of records out for JSON; arrays and tables are set aside, each once."""
    if depth > DEEPEST:
        raise ValueError("records too deep")

    def go(inner: Any) -> Any:
        return _take_apart(inner, arrays, depth + 1)

    def place(whole: Any) -> int:
        for i, (known, _) in enumerate(arrays):
            if known is whole:
                return i
        arrays.append((whole, np.asarray(whole)))
        return len(arrays) - 1

    if value is None or isinstance(value, (str, bool, int, float)):
        return value
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return {"array": place(value)}
    if isinstance(value, (tuple, list, frozenset)):
        made = sorted(value) if isinstance(value, frozenset) else value
        return {type(value).__name__: [go(v) for v in made]}
    if isinstance(value, dict):
        return {"dict": [[go(k), go(v)] for k, v in value.items()]}
    if isinstance(value, Path):
        return {"path": str(value)}
    if is_dataclass(value) and type(value).__name__ in RECORDS:
        names = [f.name for f in fields(value) if f.name not in READING]
        return {"record": type(value).__name__, "of": {n: go(getattr(value, n)) for n in names}}
    if type(value).__name__ == "DataFrame":
        return {"table": [place(value), [str(c) for c in value.columns]]}
    raise TypeError(f"{type(value).__name__} is not kept with a case")


def _put_together(tree: Any, file: Any, known: dict[int, Any]) -> Any:
    """Make the records again; what was one array or table is one again."""

    def array(i: int, columns: list[str] | None = None) -> Any:
        if i not in known:
            known[i] = file[f"a{int(i)}"]
            if columns is not None:
                known[i] = _make_table(known[i], columns)
        return known[i]

    def go(inner: Any) -> Any:
        return _put_together(inner, file, known)

    if not isinstance(tree, dict):
        return tree
    if "record" in tree:
        kind = RECORDS[tree["record"]]
        made = {name: go(v) for name, v in tree["of"].items()}
        if kind is records.Recording:
            made |= dict.fromkeys(READING[:2], refuse_reading) | {READING[2]: leave_closed}
        return kind(**made)
    [(word, held)] = tree.items()
    if word == "array":
        return array(held)
    if word == "table":
        return array(*held)
    if word == "dict":
        return {go(k): go(v) for k, v in held}
    if word == "path":
        return Path(held)
    kinds: dict[str, Any] = {"tuple": tuple, "list": list, "frozenset": frozenset}
    return kinds[word](go(v) for v in held)


def _make_table(values: NDArray[np.float64], columns: list[str]) -> pd.DataFrame:
    """Make a table of numbers with named columns."""
    import pandas as pd

    return pd.DataFrame(values, columns=columns)
