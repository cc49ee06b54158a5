"""A measured case as one npz file of numbers and text, so that it need not be measured again."""

from __future__ import annotations

import io
import json
import zipfile
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from misfire.batch.cases import LabelledCase
from misfire.columns import FIRING_COLUMNS
from misfire.errors import FormatError, OutputError
from misfire.publishing import write_whole

ROWS = ("cylinder", "lost", "known", "disturbed")
PLAIN = ("group", "n_cylinders", "crank_fault", "resolved", "condition", "healthy")


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
    meta = {name: getattr(case, name) for name in PLAIN} | {
        "columns": list(case.table.columns),
        "faulty": {str(c): t for c, t in case.faulty.items()},
        "mates": {str(a): b for a, b in case.mates.items()},
        "witnesses": {str(c): sorted(w) for c, w in case.witnesses.items()},
    }
    buffer = io.BytesIO()
    np.savez_compressed(
        buffer,
        table=case.table.to_numpy(float),
        meta=np.frombuffer(json.dumps(meta).encode(), np.uint8),
        **{name: getattr(case, name) for name in ROWS},
    )
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
    import pandas as pd

    try:
        with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as file:
            arrays: dict[str, Any] = {name: file[name] for name in (*ROWS, "table", "meta")}
        meta = json.loads(arrays["meta"].tobytes())
        if tuple(meta["columns"][: len(FIRING_COLUMNS)]) != FIRING_COLUMNS:
            raise FormatError(f"{path}: measured by another version; delete this file")
        return LabelledCase(
            table=pd.DataFrame(arrays["table"], columns=meta["columns"]),
            **{name: arrays[name] for name in ROWS},
            **{name: meta[name] for name in PLAIN},
            faulty={int(c): t for c, t in meta["faulty"].items()},
            mates={int(a): b for a, b in meta["mates"].items()},
            witnesses={int(c): frozenset(w) for c, w in meta["witnesses"].items()},
        )
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, zlib.error) as error:
        if isinstance(error, FormatError):
            raise
        raise FormatError(f"{path}: damaged ({error}); delete this file") from None
