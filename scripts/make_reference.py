"""Write the reference of the job card from the reader itself.

    .venv/bin/python scripts/make_reference.py [--check]

Which fields there are, which must be there and which words they take is asked of the reader; only
the meaning and the example of each field stand here. With --check nothing is written and the exit
status says whether the page is up to date.
"""

import argparse
import re
import sys
import tomllib
from pathlib import Path

from misfire.errors import JobCardError
from misfire.ingest.jobcard import parse_job_card

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "misfire" / "docs" / "jobcard.md"

FULL = """
[vehicle]
id = "van-017"
note = "stumbles warm"
[engine]
cylinders = 4
firing_order = [1, 3, 4, 2]
ignition = "coil_on_plug"
[crank_wheel]
positions = 60
missing = 2
[cam]
edge_deg = 312.0
[[channel]]
role = "coil_primary"
file = "capture.wav"
column = 0
[[mark]]
time_s = 65.2
text = "felt"
"""
TITLES = {
    "vehicle": ("[vehicle]", "Whose recording it is. Required."),
    "engine": ("[engine]", "The engine. Required."),
    "crank_wheel": (
        "[crank_wheel]",
        "The toothed wheel. Leave the table out without a crank channel, or to have the wheel "
        "worked out.",
    ),
    "cam": ("[cam]", "Leave it out without a cam channel."),
    "channel": ("[[channel]]", "One for each recorded channel; at least one is required."),
    "mark": (
        "[[mark]]",
        "A moment that somebody noted while recording: felt, or what was done. One for each moment "
        "with `text` and either `time_s` or `clock`; or one with `file` alone, which names a table "
        "(CSV) of times and texts. Marks are drawn, and set against the lost combustions.",
    ),
}
# field: example, unit or range, meaning
MEANING = {
    "vehicle.id": ('"van-017"', "text", "names the recording in every output"),
    "vehicle.note": ('"stumbles warm"', "text", "the complaint, shown in the report"),
    "vehicle.recorded": (
        "2026-04-18T20:15:00",
        "date, or date and time",
        "when the recording began; for the sheet, the fleet's order and marks by the clock",
    ),
    "vehicle.odometer_km": ("84210", "from 0", "for the sheet"),
    "vehicle.technician": ('"A. Meyer"', "text", "who recorded, for the sheet"),
    "vehicle.workshop": ('"Workshop North"', "text", "for the sheet"),
    "mark.time_s": (
        "65.2",
        "seconds, from 0",
        "from the start of the recording; this, or clock, or file alone",
    ),
    "mark.clock": ("20:16:05", "time of day", "instead of time_s; needs a time in `recorded`"),
    "mark.text": ('"lead 3 wiggled"', "text", "the same words make one kind of mark"),
    "mark.file": ('"marks.csv"', "path", "a table: time (seconds or time of day), text"),
    "engine.cylinders": ("4", "1 to 12", "number of cylinders"),
    "engine.firing_order": ("[1, 3, 4, 2]", "each cylinder once", "order in which they fire"),
    "engine.ignition": ('"coil_on_plug"', "a word", "how coils and plugs are joined"),
    "engine.firing_angles_deg": (
        "[0, 180, 360, 540]",
        "crank degrees, from 0 to below 720",
        "compression TDC of each entry of firing_order, from the first; default: even",
    ),
    "engine.waste_pairs": (
        "[[1, 4], [2, 3]]",
        "pairs of cylinders",
        "which cylinders share a coil, with wasted_spark only; default: those 360 degrees apart",
    ),
    "engine.coil_turns_ratio": (
        "80.0",
        "above 0",
        "secondary turns over primary turns; without it kV are estimates and say so",
    ),
    "engine.strokes": ("4", "4", "other engines than four-stroke ones are refused"),
    "crank_wheel.positions": ("60", "2 to 720", "tooth positions a turn, missing ones counted"),
    "crank_wheel.missing": ("2", "from 0", "missing teeth in a row; 0: a wheel without a gap"),
    "crank_wheel.gaps": (
        "[[59, 60]]",
        "lists of positions, from 1",
        "the missing positions of an irregular wheel, instead of missing",
    ),
    "crank_wheel.tdc_deg": (
        "84.0",
        "crank degrees, 0 to 360",
        "from the first tooth after the (first) gap to TDC of firing_order[0]",
    ),
    "crank_wheel.sensor": ('"vr"', "a word", "kind of sensor; worked out when left out"),
    "cam.edge_deg": (
        "312.0",
        "crank degrees, 0 to 720",
        "the cam's first rising edge after compression TDC of firing_order[0]",
    ),
    "channel.role": ('"coil_primary"', "a word", "what was measured"),
    "channel.file": ('"capture.wav"', "path", "relative to the card, inside its folder"),
    "channel.column": (
        "0",
        "index from 0, or name",
        "column; in HDF5 a dataset, in MAT and NPZ a variable",
    ),
    "channel.cylinders": ("[1]", "cylinders", "which cylinders it sees; default: all"),
    "channel.unit": ('"V"', "a word", "unit after scaling"),
    "channel.scale": (
        "0.0122",
        "not 0",
        "value = recorded number x scale + offset; in integer files the number is the integer",
    ),
    "channel.offset": ("0.0", "in unit", "see scale"),
    "channel.rate_hz": ("500000.0", "samples a second", "only where the file does not tell"),
    "channel.start_s": ("0.0", "seconds", "when the file's first sample was taken"),
    "channel.name": ('"coil 1"', "text", "default: made from role and cylinders"),
}


def ask(card: str) -> str:
    """Give the reader's complaint about a card; empty when it takes it."""
    try:
        parse_job_card(card, folder=Path(), source="card")
    except JobCardError as error:
        return str(error)
    return ""


def list_fields(table: str) -> list[str]:
    """Ask the reader for the fields of a table: it lists them when it meets an unknown one."""
    header = TITLES[table][0]
    said = ask(FULL.replace(header, f"{header}\nqqqqqq = 1"))
    return re.findall(r'"(\w+)"', said.split("known are")[1])


def list_words(table: str, field: str) -> list[str]:
    """Ask the reader for the words of a field; empty where it takes others."""
    card = remove(table, field)
    header = TITLES[table][0]
    said = ask(card.replace(header, f'{header}\n{field} = "qqqqqq"'))
    found = re.search(r"is not one of ([^;]+)", said)
    return found[1].split(", ") if found else []


def remove(table: str, field: str) -> str:
    """Give the full card without one field."""
    header = TITLES[table][0]
    before, after = FULL.split(header)
    body, bracket, rest = after.partition("\n[")
    lines = [line for line in body.splitlines() if not line.startswith(f"{field} =")]
    return before + header + "\n".join(lines) + bracket + rest


def format_page() -> str:
    """Give the reference as Markdown."""
    said = ask(FULL + "\n[qqqqqq]\n")
    tables = re.findall(r'"(\w+)"', said.split("known are")[1])
    lines = [
        "# The job card",
        "",
        "<!-- Made by scripts/make_reference.py from the reader; change it there. -->",
        "",
        "One TOML file describes one recording of one vehicle. A card with each of its tables:",
        "",
        "```toml",
        FULL.strip(),
        "```",
        "",
        "A field that the reader does not know, or a value out of its range, is refused with the "
        "name of the field and what to do.",
        "",
    ]
    for table in tables:
        title, words = TITLES[table]
        lines += [f"## `{title}`", "", words, ""]
        lines += [
            "| field | required | example | range | meaning |",
            "| --- | --- | --- | --- | --- |",
        ]
        for field in list_fields(table):
            example, limits, meaning = MEANING[f"{table}.{field}"]
            options = list_words(table, field)
            if options:
                limits = ", ".join(f"`{word}`" for word in options)
            needed = "yes" if ask(remove(table, field)) else "no"
            lines.append(f"| `{field}` | {needed} | `{example}` | {limits} | {meaning} |")
        lines.append("")
    return "\n".join(lines)


def main() -> int:
    """Write the page, or say whether it is up to date."""
    parser = argparse.ArgumentParser(description="Write the reference of the job card.")
    parser.add_argument("--check", action="store_true", help="only compare")
    page = format_page()
    tomllib.loads(FULL)
    if parser.parse_args().check:
        same = PAGE.is_file() and PAGE.read_text("utf-8") == page
        print("up to date" if same else "NOT UP TO DATE: run scripts/make_reference.py")
        return 0 if same else 1
    PAGE.parent.mkdir(parents=True, exist_ok=True)
    PAGE.write_text(page, encoding="utf-8", newline="\n")
    print(f"wrote {PAGE.relative_to(ROOT)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
