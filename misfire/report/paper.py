"""The report as a PDF, printed by a browser that is on the machine."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from functools import partial
from pathlib import Path

from misfire.errors import OutputError
from misfire.publishing import write_whole

# A browser lays the page out on paper as the reader's own would. Libraries that make PDF from HTML
# need native libraries too, draw SVG and page breaks otherwise, and every user has a browser.
BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "msedge",
    "microsoft-edge",
)
VARIABLE = "MISFIRE_BROWSER"
PAPERS = {"a4": "210mm 297mm", "letter": "215.9mm 279.4mm"}  # ISO 216; ANSI/ASME Y14.1
TIMEOUT_S = 120


def find_browser() -> Path:
    """Find a browser that prints without a window.

    Returns
    -------
    browser : Path
        The program named by the environment variable MISFIRE_BROWSER, else the first on PATH.

    Raises
    ------
    OutputError
        If there is none.
    """
    wanted = os.environ.get(VARIABLE)
    found = (
        shutil.which(wanted) if wanted else next(filter(None, map(shutil.which, BROWSERS)), None)
    )
    if found is None:
        what = f"{VARIABLE} names {wanted}, which is no program" if wanted else "no browser found"
        raise OutputError(
            f"report.pdf: {what}; install chromium, set {VARIABLE} to a chromium, chrome or edge, "
            "or open report.html and print it to a file"
        )
    return Path(found)


def print_page(page: Path, out: Path, *, paper: str = "a4") -> Path:
    """Print a report to PDF; the file is complete or absent.

    Parameters
    ----------
    page : Path
        The report.html to print.
    out : Path
    paper : str
        One of PAPERS.

    Returns
    -------
    out : Path

    Raises
    ------
    OutputError
        If there is no browser, it fails, or the file cannot be written.
    """
    browser = find_browser()
    size = f"<style>@page {{ size: {PAPERS[paper]} }}</style></head>"
    with tempfile.TemporaryDirectory(prefix="misfire-paper-") as name:
        folder = Path(name)
        try:
            text = page.read_text(encoding="utf-8").replace("</head>", size, 1)
            (folder / "page.html").write_text(text, encoding="utf-8")
            made = folder / "page.pdf"
            command = [
                str(browser),
                "--headless",
                "--disable-gpu",
                "--disable-background-networking",
                "--no-pdf-header-footer",
                f"--user-data-dir={folder / 'profile'}",
                f"--print-to-pdf={made}",
                (folder / "page.html").as_uri(),
            ]
            if hasattr(os, "geteuid") and os.geteuid() == 0:
                command.insert(1, "--no-sandbox")  # as root it refuses to start otherwise
            done = subprocess.run(command, capture_output=True, timeout=TIMEOUT_S, check=False)
            if done.returncode or not made.is_file():
                raise OutputError(
                    f"{out}: {browser.name} could not print the report (status {done.returncode}); "
                    "open report.html and print it to a file"
                )
            write_whole(out, partial(shutil.copyfile, made))
        except subprocess.TimeoutExpired:
            raise OutputError(
                f"{out}: {browser.name} did not print within {TIMEOUT_S} s; "
                "open report.html and print it to a file"
            ) from None
        except OSError as error:
            raise OutputError(f"{out}: cannot be written ({error.strerror or error})") from error
    return out
