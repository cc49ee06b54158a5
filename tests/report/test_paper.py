"""The report as PDF, by whatever browser is there; and the shell's completion."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from misfire.errors import OutputError
from misfire.report import paper

ROOT = Path(__file__).resolve().parents[2]


def find_any():
    try:
        return paper.find_browser()
    except OutputError:
        return None


needs_browser = pytest.mark.skipif(find_any() is None, reason="no browser found on PATH")


@needs_browser
@pytest.mark.parametrize(("size", "points"), [("a4", (595.3, 841.9)), ("letter", (612.0, 792.0))])
def test_paper_has_its_size(tmp_path, size, points):
    # 210 x 297 mm (ISO 216) and 8.5 x 11 inch (ANSI/ASME Y14.1), in points of 1/72 inch
    pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 is not installed")
    page = tmp_path / "report.html"
    page.write_text("<!DOCTYPE html><html><head></head><body>one</body></html>", encoding="utf-8")
    out = paper.print_page(page, tmp_path / "report.pdf", paper=size)
    with pdfium.PdfDocument(out) as document:
        assert document[0].get_size() == pytest.approx(points, abs=1.0)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["report.html", "report.pdf"]


def test_without_a_browser_it_says_what_to_do(monkeypatch, tmp_path):
    monkeypatch.delenv(paper.VARIABLE, raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(OutputError, match="print it to a file"):
        paper.find_browser()
    monkeypatch.setenv(paper.VARIABLE, "no-such-browser")
    with pytest.raises(OutputError, match="no-such-browser, which is no program"):
        paper.find_browser()


@pytest.mark.skipif(os.name != "posix", reason="the stand-in for a browser is a shell script")
def test_a_browser_that_fails_leaves_no_file(monkeypatch, tmp_path):
    program = tmp_path / "browser"
    program.write_text("#!/bin/sh\nexit 3\n")
    program.chmod(0o755)
    monkeypatch.setenv(paper.VARIABLE, str(program))
    page = tmp_path / "report.html"
    page.write_text("<html><head></head></html>", encoding="utf-8")
    with pytest.raises(OutputError, match="status 3"):
        paper.print_page(page, tmp_path / "report.pdf")
    assert not (tmp_path / "report.pdf").exists()


def test_pdf_without_a_folder_is_wrong_usage():
    done = subprocess.run(
        [sys.executable, "-m", "misfire", "diagnose", "job.toml", "--pdf"],
        capture_output=True,
        text=True,
        cwd=ROOT,
    )
    assert done.returncode == 2
    assert "-o DIR" in done.stderr


@pytest.mark.parametrize(
    ("typed", "offered"), [("misfire dia", "diagnose"), ("misfire de", "demo")]
)
def test_the_shell_completes_commands(typed, offered):
    variables = {"_MISFIRE_COMPLETE": "complete_bash", "COMP_WORDS": typed, "COMP_CWORD": "1"}
    done = subprocess.run(
        [sys.executable, "-m", "misfire"],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env=os.environ | variables,
    )
    assert done.stdout.split() == [offered]
