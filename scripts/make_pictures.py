"""Draw the pictures of the documents: python3 scripts/make_pictures.py.

From the bundled recording: the top of its report, the timeline and the viewer of one firing (needs
chromium, playwright and Pillow). From simulated recordings: what each
fault looks like (SVG). Run it with the Python of `.venv`, or any that has the package.
"""

import argparse
import dataclasses
import io
import sys
import tempfile
from pathlib import Path

from misfire.diagnosis.chain import diagnose
from misfire.records import Diagnosis
from misfire.report.diagnosis.exhibits import find_marks
from misfire.report.diagnosis.files import write_reports
from misfire.report.paper import find_browser
from misfire.report.pictures.spread import draw_spread, split_values
from misfire.report.pictures.waveforms import draw_panel
from misfire.report.wording import QUANTITIES
from misfire.simulate.recording import simulate
from misfire.simulate.scenario_file import read_scenario
from misfire.simulate.writer import write_recording

ROOT = Path(__file__).resolve().parent.parent
DEMO = ROOT / "data_demo"
FAULTS = ROOT / "misfire" / "docs" / "pictures"
WIDTH, COLOURS = 1200, 64
# name, which part of the page; None: its top
SHOTS = (("report.png", None), ("timeline.png", "figure.timeline"), ("firing.png", ".viewer"))
SHOWN = {  # fault: kind, what shows it best
    "open_secondary": ("lead", "coil_primary"),
    "fouled_plug": ("shunt", "coil_primary"),
    "weak_coil": ("shorted", "coil_current"),
    "no_primary": ("trigger", "coil_current"),
    "mixture": ("no_fuel", "segment_accel"),
    "low_compression": ("leak", "segment_accel"),
    "crank_signal": ("drop_outs", "segment_accel"),
}
SCENARIO = """
seed = 5
duration_s = 20.0
vehicle = "fault picture"

[drive]
condition = "idle"

[[channel]]
role = "coil_primary"
cylinders = [3]
range = 500.0
noise = 0.0002

[[channel]]
role = "coil_current"
cylinders = [3]
range = 40.0
noise = 0.0003

[[channel]]
role = "crank"
range = 100.0
noise = 0.0003

[[fault]]
type = "{fault}"
kind = "{kind}"
cylinder = {cylinder}
rate = {rate}
pattern = "random"
"""
STYLE = """<style>
svg { background: #fcfbf8; font-family: 'Liberation Sans', Arial, sans-serif }
text { font: 12px 'Liberation Sans', Arial, sans-serif; fill: #5c5a54 }
.part, .name { fill: #1f1e1b } .name { font-weight: 600 } .good { fill: #1f4e8c }
.lost-words { fill: #b23c0c; font-weight: 700 }
.grid { stroke: #d9d5cb; stroke-width: .7 } .axis, .bracket { stroke: #5c5a54; fill: none }
.zero { stroke: #5c5a54; stroke-width: .8; stroke-dasharray: 2 3 } .band { fill: #b9cbe4 }
.middle { stroke: #1f4e8c; stroke-width: 1.6; fill: none; stroke-dasharray: 5 3 }
.lost { stroke: #b23c0c; stroke-width: 1.3; fill: none; stroke-linejoin: round }
.mark-good { stroke: #1f4e8c; stroke-dasharray: 3 2 }
.mark-lost { stroke: #b23c0c; stroke-dasharray: 6 2 }
.box { stroke: #5c5a54; fill: #f3f0e9 } .box.marked { stroke: #b23c0c; stroke-width: 2 }
.median { stroke: #1f4e8c; stroke-width: 2.4 } .diamond, .lost-mark { fill: #b23c0c }
</style>"""


def draw_faults() -> None:
    """Simulate each fault in cylinder 3 and draw what shows it."""
    FAULTS.mkdir(parents=True, exist_ok=True)
    for fault, (kind, shown) in SHOWN.items():
        with tempfile.TemporaryDirectory() as scratch:
            scenario = Path(scratch) / "scenario.toml"
            rate = 1.0 if fault == "low_compression" else 0.2
            cylinder = 0 if fault == "crank_signal" else 3
            text = SCENARIO.format(fault=fault, kind=kind, rate=rate, cylinder=cylinder)
            scenario.write_text(text, encoding="utf-8")
            job = write_recording(simulate(read_scenario(scenario)), Path(scratch) / "made")
            diagnosis = diagnose(job)
        picture = draw_fault(diagnosis, shown, key=fault)
        opening = '<svg xmlns="http://www.w3.org/2000/svg"'
        picture = picture.replace("<svg", opening, 1).replace("</title>", f"</title>{STYLE}", 1)
        (FAULTS / f"{fault}.svg").write_text(picture + "\n", encoding="utf-8", newline="\n")
        print(f"drew {fault} as {shown}: {diagnosis.verdict}")


def draw_fault(diagnosis: Diagnosis, shown: str, *, key: str) -> str:
    """Draw the waveform of a role, or the values of a column where there is none."""
    for panel in diagnosis.panels:
        if panel.role == shown and panel.cylinder == 3:
            thin = dataclasses.replace(panel, suspect=panel.suspect[:3])
            return draw_panel(thin, find_marks(diagnosis, 3), width=720, key=key)
    quantity = next(q for q in QUANTITIES if q.column == "segment_accel")
    return draw_spread(
        split_values(diagnosis, "segment_accel"),
        quantity,
        suspects=frozenset() if key == "crank_signal" else frozenset({3}),
        unit=quantity.unit,
        key=key,
        width=480,
        height=230,
    )


def draw_report() -> None:
    """Draw pieces of the bundled recording's report as PNG with a palette."""
    from PIL import Image
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as play:
        write_reports(diagnose(DEMO / "job.toml"), Path(scratch))
        browser = play.chromium.launch(executable_path=find_browser(), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": WIDTH, "height": 1240})
        page.goto((Path(scratch) / "report.html").as_uri())
        for name, piece in SHOTS:
            shot = page.locator(piece).screenshot() if piece else page.screenshot()
            with Image.open(io.BytesIO(shot)) as image:
                small = image.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
                small.save(DEMO / name, optimize=True)
            print(f"drew {name}: {(DEMO / name).stat().st_size // 1024} kB")
        browser.close()


def main() -> int:
    """Draw all pictures, or those asked for."""
    parser = argparse.ArgumentParser(description="Draw the pictures of the documents.")
    parser.add_argument("--faults", action="store_true", help="only those of the faults")
    parser.add_argument("--report", action="store_true", help="only those of the report")
    chosen = parser.parse_args()
    if not chosen.report:
        draw_faults()
    if not chosen.faults:
        draw_report()
        from make_demo import write_registry

        write_registry()
    return 0


if __name__ == "__main__":
    sys.exit(main())
