"""How every page is filled: escaped, strict about names, closed by a line feed."""

from __future__ import annotations

import base64
import hashlib
from importlib import resources
from typing import Any


def read_part(*names: str) -> str:
    """Read files of this package one behind the other: a page's style or script."""
    folder = resources.files("misfire.report")
    return "".join((folder / name).read_text(encoding="utf-8") for name in names)


def hash_script(script: str) -> str:
    """Give the hash by which a content security policy lets one script run."""
    digest = hashlib.sha256(script.encode("utf-8")).digest()
    return "sha256-" + base64.b64encode(digest).decode("ascii")


def fill_page(template: str, context: dict[str, Any], *, keep_per_cent: bool = True) -> str:
    """Fill a template of this package.

    Parameters
    ----------
    template : str
        Its path below this package.
    context : dict
        All names that the template uses; text from outside is escaped, `Markup` is not.
    keep_per_cent : bool
        Keep a number and its per cent sign on one line.

    Returns
    -------
    page : str
    """
    from jinja2 import Environment, StrictUndefined

    frame = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_keep_per_cent if keep_per_cent else None,
    )
    page: str = frame.from_string(read_part(template)).render(context)
    return page if page.endswith("\n") else page + "\n"


def _keep_per_cent(value: Any) -> Any:
    """Keep a number and its per cent sign on one line."""
    return value.replace(" %", "\u00a0%") if type(value) is str else value
