"""Play the whole job on four simulated vehicles and write it down: misfire/docs/walkthrough.md.

    .venv/bin/python scripts/make_walkthrough.py

From clipping on to handing back the key: hookup, record (simulated), check, diagnose, repair,
compare, confirm. Every command is run; what it printed and the top of its page stand in the
document. Needs chromium, playwright and Pillow.
"""

import contextlib
import io
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

from misfire.cli.app import main as run_command
from misfire.report.paper import find_browser
from misfire.simulate.scenario import (
    ChannelModel,
    DriveModel,
    EngineModel,
    FaultModel,
    Scenario,
)
from misfire.simulate.scenario_file import format_scenario

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "misfire" / "docs" / "walkthrough.md"
PICTURES = ROOT / "misfire" / "docs" / "pictures"
WIDTH, HEIGHT, COLOURS = 900, 640, 16  # small, and still to be read
MOST_LINES = 22  # of what a command prints; the rest is left out and said to be

CRANK = ChannelModel(role="crank", range=100.0)


@dataclass(frozen=True)
class Vehicle:
    """One vehicle of the walk: what is clipped on, what is wrong, what the repair was."""

    name: str
    title: str
    complaint: str
    engine: EngineModel
    channels: tuple[ChannelModel, ...]
    faults: tuple[FaultModel, ...]
    repair: str
    proven: tuple[tuple[int, str], ...]


def make_primary(*cylinders: int) -> ChannelModel:
    """Give the model of a primary channel."""
    return ChannelModel(role="coil_primary", cylinders=cylinders, range=500.0)


FOUR = {"cylinders": 4, "firing_order": (1, 3, 4, 2)}
VEHICLES = (
    Vehicle(
        "plug-coils",
        "Plug coils, a boot that makes no contact now and then",
        "Stumbles warm at idle. Four coils on the plugs.",
        EngineModel(**FOUR, ignition="coil_on_plug"),
        (make_primary(3), make_primary(1), CRANK),
        (FaultModel(type="open_secondary", kind="lead", cylinder=3, rate=0.12),),
        "The boot of cylinder 3 was burnt inside; a new boot was fitted.",
        ((3, "open_secondary"),),
    ),
    Vehicle(
        "waste-spark",
        "Waste spark, a lead that has come off its plug and still fires",
        "Runs well; in for inspection. Two coils, each fires two cylinders.",
        EngineModel(**FOUR, ignition="wasted_spark"),
        (
            make_primary(1, 4),
            make_primary(2, 3),
            CRANK,
            ChannelModel(role="coil_secondary", cylinders=(1,), range=10.0),
        ),
        (FaultModel(type="open_secondary", kind="gap", cylinder=2, severity=0.75, rate=0.25),),
        "No combustion was lost, so it is no misfire yet. The table *What every firing was* on the "
        "page shows sparks of cylinder 2 that came late and burned only briefly. Its lead was "
        "loose on the plug; it was pushed home.",
        ((2, "open_secondary"),),
    ),
    Vehicle(
        "distributor",
        "Distributor, a worn rotor",
        "Weak and uneven, also at idle. One coil and a distributor.",
        EngineModel(**FOUR, ignition="distributor"),
        (
            ChannelModel(role="coil_primary", range=500.0),
            ChannelModel(role="coil_secondary", cylinders=(1,), range=10.0),
            CRANK,
        ),
        tuple(
            FaultModel(type="open_secondary", kind="resistance", cylinder=c, severity=0.9, rate=0.1)
            for c in (1, 2, 3, 4)
        ),
        "The rotor was worn; rotor and cap were renewed.",
        tuple((c, "open_secondary") for c in (1, 2, 3, 4)),
    ),
    Vehicle(
        "injector",
        "An injector that is dead",
        "Shakes all the time. Four coils on the plugs.",
        EngineModel(**FOUR, ignition="coil_on_plug"),
        (make_primary(2), make_primary(1), CRANK),
        (FaultModel(type="mixture", kind="no_fuel", cylinder=2),),
        "The injector of cylinder 2 drew no current; a new one was fitted.",
        ((2, "mixture"),),
    ),
)


def make_scenario(vehicle: Vehicle, *, repaired: bool) -> Scenario:
    """Give what is simulated: before the repair, or after it on another day."""
    return Scenario(
        seed=71 if repaired else 70,
        duration_s=30.0,
        vehicle=vehicle.name,
        engine=vehicle.engine,
        drive=DriveModel(condition="idle"),
        channel=vehicle.channels,
        fault=() if repaired else vehicle.faults,
    )


def run(command: str) -> str:
    """Run one command in the present folder and give what it printed."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            run_command([*command.split(" ")[1:], "--quiet"])
        except SystemExit as stop:
            if stop.code:
                raise SystemExit(f"{command}: {err.getvalue()}") from None
    return out.getvalue().strip()


def quote(command: str, *, lines: int = MOST_LINES) -> str:
    """Run a command and give it, with what it printed, as a block of Markdown."""
    printed = [line for line in run(command).splitlines() if not line.startswith("wrote ")]
    kept = printed[:lines]
    if len(printed) > len(kept):
        kept.append(f"... ({len(printed) - len(kept)} lines more)")
    said = "\n".join(kept)
    block = f"```console\n{command}\n```\n"
    return f"{block}\n```text\n{said}\n```\n" if kept else block


def shoot(page: Path, name: str) -> str:
    """Draw the top of a page small; give the line of Markdown that shows it."""
    from PIL import Image
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=find_browser(), args=["--no-sandbox"])
        sheet = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
        sheet.goto(page.resolve().as_uri())
        shot = sheet.screenshot()
        browser.close()
    with Image.open(io.BytesIO(shot)) as image:
        small = image.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
        small.save(PICTURES / f"{name}.png", optimize=True)
    return f"![Top of the page](pictures/{name}.png)\n"


def walk(vehicle: Vehicle) -> list[str]:
    """Play the job on one vehicle, in the present folder; give its chapter."""
    engine = vehicle.engine
    lines = [f"## {vehicle.title}", "", vehicle.complaint, ""]
    hookup = (
        f"misfire hookup --cylinders {engine.cylinders} --ignition {engine.ignition} "
        f"--firing-order {'-'.join(map(str, engine.firing_order))} "
        f"--inputs {len(vehicle.channels)} -o plan"
    )
    lines += ["**What to clip on?**", "", quote(hookup, lines=12)]
    for when in ("before", "after"):
        scenario = make_scenario(vehicle, repaired=when == "after")
        Path(f"{when}.toml").write_text(format_scenario(scenario), encoding="utf-8")
        run(f"misfire simulate {when}.toml -o {when}")
    lines += [
        "**Is the recording good enough?**",
        "",
        quote("misfire check before/job.toml", lines=8),
    ]
    lines += ["**Which cylinder?**", "", quote("misfire diagnose before/job.toml -o result")]
    lines += [shoot(Path("result/report.html"), f"walk-{vehicle.name}"), ""]
    lines += [f"**The repair.** {vehicle.repair} Then it was recorded again.", ""]
    compare = "misfire compare before/job.toml after/job.toml -o comparison"
    lines += ["**Did the repair cure it?**", "", quote(compare, lines=14)]
    lines += [shoot(Path("comparison/compare.html"), f"walk-{vehicle.name}-after"), ""]
    proven = " ".join(f"--cylinder {c} --fault {kind}" for c, kind in vehicle.proven)
    confirm = f"misfire confirm before/job.toml {proven} -o cases"
    lines += [
        "**Keep the case, to learn from it.**",
        "",
        quote(confirm),
        f"```text\n{list_cases()}\n```\n",
    ]
    return lines


def list_cases() -> str:
    """Name the files of the case that was made."""
    return "\n".join(sorted(str(p.as_posix()) for p in Path("cases").glob("*/*")))


def main() -> None:
    """Write the document and its pictures."""
    head = [
        "# The whole job, on four vehicles",
        "",
        "<!-- Made by scripts/make_walkthrough.py, which runs every command; change it there. -->",
        "",
        "From clipping on to handing back the key. The vehicles are simulated, so it is known what "
        "was wrong; in a workshop you record instead. The vehicle maker's "
        "procedure, local rules and licensed practice come first; ignition voltages are "
        "dangerous to "
        "life: clip on with the engine off.",
        "",
    ]
    chapters = []
    for vehicle in VEHICLES:
        with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
            chapters += walk(vehicle)
        print(vehicle.name)
    PAGE.write_text("\n".join([*head, *chapters]).rstrip() + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    os.environ.setdefault("COLUMNS", "96")
    main()
