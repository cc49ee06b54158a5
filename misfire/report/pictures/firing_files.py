"""The picture of one firing as a file: SVG, or PNG where its renderer is installed."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from misfire.errors import OutputError, ParameterError
from misfire.publishing import write_whole
from misfire.report.pictures.firing_view import FiringView, format_firing_picture
from misfire.report.summary import to_plain

SCHEMA = "misfire-firing/1"
ENDINGS = (".svg", ".png")
PNG_ZOOM = 2


def check_picture(path: Path) -> None:
    """Refuse a kind of picture that cannot be made, before the work is done.

    Parameters
    ----------
    path : Path

    Raises
    ------
    ParameterError
        If the name ends otherwise than in .svg or .png, or the renderer for PNG is missing.
    """
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise ParameterError(f"{path}: name a picture that ends in .svg or .png with -o")
    if ending == ".png":
        try:
            import resvg_py  # noqa: F401
        except ImportError:
            raise ParameterError(
                f"{path}: PNG needs the extra `png` (pip install '.[png]' in the program's "
                "folder); or name an .svg"
            ) from None


def write_picture(view: FiringView, path: Path) -> None:
    """Write the picture under a temporary name, then rename it.

    Parameters
    ----------
    view : FiringView
    path : Path

    Raises
    ------
    OutputError
        If the file cannot be written.
    ParameterError
        As for `check_picture`.
    """
    check_picture(path)
    text = format_firing_picture(view)
    if path.suffix.lower() == ".png":
        import resvg_py

        content = bytes(resvg_py.svg_to_bytes(svg_string=text, zoom=PNG_ZOOM))
    else:
        content = text.encode("utf-8")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, content)
    except OSError as error:
        raise OutputError(
            f"{path}: cannot be written ({error.strerror or error}); choose another with -o"
        ) from error


def describe_view(view: FiringView, path: Path) -> dict[str, Any]:
    """Give what was marked, for programs.

    Parameters
    ----------
    view : FiringView
    path : Path
        Of the picture.

    Returns
    -------
    document : dict
        Plain values only.
    """
    return {
        "schema": SCHEMA,
        "picture": str(path),
        "vehicle": view.vehicle,
        "cylinder": view.cylinder,
        "time_s": round(view.time_s, 7),
        "rpm": to_plain(view.rpm),
        "row": view.row,
        "marks": [
            {
                "channel": channel.name,
                "name": mark.name,
                "time_s": round(view.time_s + mark.at_ms / 1e3, 7),
                "value": to_plain(mark.value) if math.isfinite(mark.value) else None,
                "text": mark.said,
            }
            for channel in (*view.near, *view.far)
            for mark in channel.marks
        ]
        + [
            {
                "channel": "",
                "name": mark.name,
                "time_s": round(view.time_s + mark.at_ms / 1e3, 7),
                "value": None,
                "text": mark.said,
            }
            for mark in view.far_marks
        ],
        "notes": list(view.notes),
    }
