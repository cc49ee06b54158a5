"""The files of a screening: fleet.html, fleet.csv, fleet.parquet, fleet.json, each made whole."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

from misfire.errors import OutputError
from misfire.fleet.folder import RESULTS
from misfire.fleet.summary import COLUMNS, list_rows
from misfire.fleet.task import DIGEST, UNFINISHED
from misfire.publishing import write_whole
from misfire.report.fleet.page import format_fleet_page
from misfire.report.fleet.table import format_fleet_csv, format_fleet_parquet

PAGE, CSV, PARQUET, JSON = "fleet.html", "fleet.csv", "fleet.parquet", "fleet.json"
_PART = ".part"


def publish_fleet(fleet: dict[str, Any], out: Path) -> tuple[Path, ...]:
    """Write the fleet's files; each is there as it was, or complete.

    Parameters
    ----------
    fleet : dict
    out : Path

    Returns
    -------
    written : tuple of Path

    Raises
    ------
    OutputError
        If one cannot be written.
    """
    rows = list_rows(fleet)
    text = json.dumps(fleet, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
    contents = {
        CSV: format_fleet_csv(rows, COLUMNS).encode("utf-8"),
        PARQUET: format_fleet_parquet(rows, COLUMNS),
        JSON: text.encode("utf-8"),
        PAGE: format_fleet_page(fleet).encode("utf-8"),
    }
    for name, content in contents.items():
        try:
            write_whole(out / name, content)
        except OSError as error:
            raise OutputError(
                f"{out / name}: cannot be written ({error.strerror}); is it open elsewhere, or "
                "the disk full?"
            ) from None
    return tuple(out / name for name in contents)


def read_digest(out: Path, folder: str) -> dict[str, Any]:
    """Read the digest of a result.

    Parameters
    ----------
    out : Path
    folder : str

    Returns
    -------
    digest : dict

    Raises
    ------
    OutputError
        If it was damaged.
    """
    place = out / RESULTS / folder / DIGEST
    try:
        return dict(json.loads(place.read_text(encoding="utf-8")))
    except (OSError, ValueError) as error:
        raise OutputError(
            f"{place}: cannot be read ({error}); remove the folder {place.parent} and run again"
        ) from None


def sweep(out: Path) -> None:
    """Remove what a run that was killed left unfinished.

    Parameters
    ----------
    out : Path
    """
    for place in (out / RESULTS).glob(f"{UNFINISHED}*"):
        shutil.rmtree(place, ignore_errors=True)
    for place in out.glob(f".*{_PART}"):
        place.unlink(missing_ok=True)
