"""The page in a real browser, where one is installed."""

import re
import shutil
import subprocess

import pytest

from misfire.report.diagnosis.page import format_page
from tests.builders.diagnoses import make_diagnosis, make_quiet_diagnosis

BROWSER = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)
pytestmark = pytest.mark.skipif(BROWSER is None, reason="no chromium found on PATH")

# Presses every control and key, points and drags; runs after the page's own script.
PRESS = """<script>
window.addEventListener("load", function () {
  const root = document.documentElement, canvas = document.getElementById("timeline");
  const out = document.getElementById("timeline-readout"), said = [];
  document.querySelectorAll("[data-act]").forEach(function (b) { b.click(); b.focus();
    said.push(b.dataset.act + "=" + out.textContent);
    if (document.activeElement !== b) root.dataset.unfocused = b.dataset.act; });
  ["ArrowLeft", "ArrowRight", "+", "-", "n", "p", "Home"].forEach(function (k) {
    const e = new KeyboardEvent("keydown", { key: k, cancelable: true });
    canvas.dispatchEvent(e); if (!e.defaultPrevented) root.dataset.unheard = k; });
  const box = canvas.getBoundingClientRect();
  ["pointermove", "dblclick", "wheel"].forEach(function (n) {
    const Kind = { dblclick: MouseEvent, wheel: WheelEvent }[n] || PointerEvent;
    canvas.dispatchEvent(new Kind(n, { clientX: box.left + box.width / 2, clientY: box.top + 190,
      deltaY: 10, ctrlKey: n === "wheel", cancelable: true })); });
  const pixels = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
  const seen = new Set();
  for (let i = 0; i < pixels.length; i += 40) seen.add(pixels[i] + "," + pixels[i + 1]);
  root.dataset.colours = String(seen.size);
  root.dataset.wide = String(document.documentElement.scrollWidth > window.innerWidth);
  root.dataset.said = said.join(";");
});
</script>"""


def run(tmp_path, page, *options):
    (tmp_path / "report.html").write_text(page, encoding="utf-8")
    command = [
        BROWSER,
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-background-networking",
        f"--user-data-dir={tmp_path / 'profile'}",
        *options,
        (tmp_path / "report.html").as_uri(),
    ]
    done = subprocess.run(command, capture_output=True, timeout=120, check=True, cwd=tmp_path)
    return done.stdout.decode("utf-8")


def root_data(dom):
    """Read the data attributes of the html element."""
    tag = re.search(r"<html[^>]*>", dom).group()
    return dict(re.findall(r'data-([\w-]+)="([^"]*)"', tag))


def test_the_script_runs_to_its_end_under_its_own_policy(tmp_path):
    data = root_data(run(tmp_path, format_page(make_diagnosis()), "--dump-dom"))
    assert data == {"script-done": "57"}  # all lost combustions were unpacked, no error


def test_an_injected_script_does_not_run(tmp_path):
    page = format_page(make_diagnosis())
    spoiled = page.replace(
        "</body>", "<script>document.documentElement.dataset.bad = '1'</script></body>"
    )
    assert "bad" not in root_data(run(tmp_path, spoiled, "--dump-dom"))


@pytest.mark.parametrize("size", ["1200,900", "500,900"])
def test_every_control_works(tmp_path, size):
    page = format_page(make_diagnosis())
    open_page = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", page)
    data = root_data(
        run(
            tmp_path,
            open_page.replace("</body>", PRESS + "</body>"),
            "--dump-dom",
            f"--window-size={size}",
        )
    )
    assert data["script-done"] == "57"
    assert not {"script-error", "unfocused", "unheard"} & set(data)
    assert int(data["colours"]) > 3
    assert data["wide"] == "false"  # nothing hangs over the side
    wanted = r"next=\d+:\d\d\.\d\d +cylinder 3, judged lost \((over )?\d+ %\)"
    assert re.search(wanted, data["said"])


def test_a_recording_without_misfires_runs_too(tmp_path):
    data = root_data(run(tmp_path, format_page(make_quiet_diagnosis()), "--dump-dom"))
    assert data == {"script-done": "0"}


def test_it_prints(tmp_path):
    out = tmp_path / "report.pdf"
    run(tmp_path, format_page(make_diagnosis()), f"--print-to-pdf={out}")
    content = out.read_bytes()
    assert content.startswith(b"%PDF-")
    pages = len(re.findall(rb"/Type\s*/Page\b", content))
    assert 4 <= pages <= 9
