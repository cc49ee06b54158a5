"""The job card: one TOML file that describes one recording of one vehicle."""

import math
import posixpath
import tomllib
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path, PureWindowsPath
from typing import Any, Literal, cast

from misfire.errors import JobCardError, ParameterError
from misfire.ingest.fields import FieldTable, describe
from misfire.ingest.marks import parse_marks
from misfire.limits import MAX_POSITIONS
from misfire.records import (
    IGNITIONS,
    ROLES,
    UNITS,
    Cam,
    ChannelCard,
    CrankWheel,
    Engine,
    JobCard,
    Sheet,
)

MAX_CARD_BYTES = 1_000_000  # a card is a page of text; more is another file by mistake

_TABLES = ("vehicle", "engine", "crank_wheel", "cam", "channel", "mark")
_VEHICLE = ("id", "note", "recorded", "odometer_km", "technician", "workshop")
_ENGINE = (
    "cylinders",
    "firing_order",
    "ignition",
    "firing_angles_deg",
    "waste_pairs",
    "coil_turns_ratio",
    "strokes",
)
_WHEEL = ("positions", "missing", "gaps", "tdc_deg", "sensor")
_CHANNEL = (
    "role",
    "file",
    "column",
    "cylinders",
    "unit",
    "scale",
    "offset",
    "rate_hz",
    "start_s",
    "name",
)


def read_job_card(path: Path | str, *, allow_outside: bool = False) -> JobCard:
    """Read and check the job card of one recording.

    Parameters
    ----------
    path : path of the TOML file
    allow_outside : bool
        Whether the card may name files outside its own folder.

    Returns
    -------
    job : JobCard
        Checked; the files that it names are not looked at.

    Raises
    ------
    JobCardError
        If the file is missing, unreadable, empty, not TOML, or a field is wrong. The message
        names the file, the field and the remedy.
    """
    path = Path(path)
    try:
        if path.is_dir():
            raise JobCardError(f"{path}: is a folder; give the job card (TOML file) in it")
        with path.open("rb") as file:
            data = file.read(MAX_CARD_BYTES + 1)
    except FileNotFoundError:
        raise JobCardError(f"{path}: no such file; give the path of a job card (TOML)") from None
    except OSError as error:
        raise JobCardError(f"{path}: cannot be read ({error.strerror}); check access") from None
    if len(data) > MAX_CARD_BYTES:
        raise JobCardError(f"{path}: is over 1 MB; a job card is a short TOML text")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise JobCardError(f"{path}: is text in UTF-16; save it as UTF-8")
    if b"\0" in data:
        raise JobCardError(f"{path}: is a binary file, not a job card; write it as TOML in UTF-8")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise JobCardError(
            f"{path}: line {line} is not UTF-8 text; save the job card as UTF-8"
        ) from None
    return parse_job_card(text, folder=path.parent, source=str(path), allow_outside=allow_outside)


def parse_job_card(text: str, *, folder: Path, source: str, allow_outside: bool = False) -> JobCard:
    """Check the text of a job card.

    Parameters
    ----------
    text : TOML
    folder : path
        What the card's file names are relative to.
    source : str
        Name of the card in messages.
    allow_outside : bool
        Whether the card may name files outside `folder`.

    Returns
    -------
    job : JobCard

    Raises
    ------
    JobCardError
        If the text is empty, not TOML, or a field is missing or wrong.

    Examples
    --------
    >>> card = '''
    ... vehicle.id = "van"
    ... engine = {cylinders = 2, firing_order = [1, 2], ignition = "wasted_spark"}
    ... channel = [{role = "coil_primary", file = "a.wav", column = 0}]'''
    >>> parse_job_card(card, folder=Path("."), source="job.toml").engine.waste_pairs
    ((1, 2),)
    """
    try:
        card = tomllib.loads(text.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        raise JobCardError(f"{source}: is not valid TOML: {error}; correct that line") from None
    except ValueError as error:  # a number too long to convert
        raise JobCardError(f"{source}: is not valid TOML: {error}") from None
    except RecursionError:
        raise JobCardError(f"{source}: is nested too deeply for a job card") from None
    if not card:
        raise JobCardError(
            f"{source}: is empty; a job card needs [vehicle], [engine] and [[channel]]"
        )
    top = FieldTable(card, source=source, place="", known=_TABLES)
    vehicle = _table(top, "vehicle", _VEHICLE)
    sheet = _parse_sheet(vehicle)
    engine = _parse_engine(_table(top, "engine", _ENGINE))
    wheel = _parse_wheel(_table(top, "crank_wheel", _WHEEL)) if "crank_wheel" in top else None
    cam = _parse_cam(_table(top, "cam", ("edge_deg",))) if "cam" in top else None
    return JobCard(
        vehicle_id=vehicle.text("id", example='"van-017"').strip(),
        engine=engine,
        channels=_parse_channels(top, engine, allow_outside=allow_outside),
        folder=Path(folder),
        text=text,
        wheel=wheel,
        cam=cam,
        note=_read_text(vehicle, "note"),
        sheet=sheet,
        marks=parse_marks(
            top.values.get("mark"),
            top=top,
            folder=Path(folder),
            recorded=sheet.recorded,
            allows=lambda name: allow_outside or not _leaves_folder(name),
        ),
    )


def _read_text(table: FieldTable, key: str) -> str:
    """Give a text that may be left empty."""
    return "" if table.values.get(key) == "" else table.optional_text(key) or ""


def _parse_sheet(vehicle: FieldTable) -> Sheet:
    """Check what `[vehicle]` says for the file."""
    return Sheet(
        recorded=_parse_recorded(vehicle),
        odometer_km=vehicle.number("odometer_km", low=0, high=1e7),
        technician=_read_text(vehicle, "technician"),
        workshop=_read_text(vehicle, "workshop"),
    )


def format_recorded(value: object) -> str:
    """Give the time of recording of a card as ISO 8601 text.

    Parameters
    ----------
    value : date, datetime or such a text

    Returns
    -------
    recorded : str

    Raises
    ------
    ValueError
        If it is no time.

    Examples
    --------
    >>> format_recorded("2026-03-01T20:15:00")
    '2026-03-01T20:15:00'
    """
    if isinstance(value, str):
        value = datetime.fromisoformat(value) if len(value) > 10 else date.fromisoformat(value)
    if isinstance(value, date):  # a datetime is one, too
        return value.isoformat()
    raise ValueError("no date")


def _parse_recorded(vehicle: FieldTable) -> str:
    """Give the time of recording as ISO 8601 text; empty where the card is silent."""
    value = vehicle.values.get("recorded", "")
    if value == "":
        return ""
    try:
        return format_recorded(value)
    except ValueError:
        raise vehicle.error(
            "recorded",
            f"must be a date, or a date and time, got {describe(value)}; write for example "
            "`recorded = 2026-03-01T20:15:00`",
        ) from None


def _table(top: FieldTable, name: str, known: tuple[str, ...]) -> FieldTable:
    """Give one `[name]` table of the card."""
    values = top.values.get(name)
    if values is None:
        raise top.error(f"[{name}]", "is missing; every job card needs this table")
    if not isinstance(values, dict):
        raise top.error(f"[{name}]", f"must be a table, got {describe(values)}")
    return FieldTable(values, source=top.source, place=f"[{name}]", known=known)


def _parse_engine(table: FieldTable) -> Engine:
    """Check `[engine]`."""
    if "strokes" in table:
        strokes = table.integer("strokes", low=1, high=12, example=4)
        if strokes != 4:
            raise table.error(
                "strokes", f"{strokes} is not supported yet, only four-stroke engines are; use 4"
            )
    n = table.integer("cylinders", low=1, high=12, example=4)
    order = tuple(
        table.check_integer("firing_order", value, low=1, high=n)
        for value in table.items("firing_order", example="[1, 3, 4, 2]")
    )
    if sorted(order) != list(range(1, n + 1)):
        raise table.error(
            "firing_order", f"must name each of the cylinders 1 to {n} once, got {list(order)}"
        )
    angles: tuple[float, ...] = ()
    if "firing_angles_deg" in table:
        angles = tuple(
            table.check_number("firing_angles_deg", value, low=0, high=720)
            for value in table.items("firing_angles_deg", example="[0, 180, 360, 540]")
        )
        rising = all(a < b for a, b in zip(angles, angles[1:], strict=False))
        if len(angles) != n or angles[0] != 0 or not rising or angles[-1] >= 720:
            raise table.error(
                "firing_angles_deg",
                f"must be {n} rising angles from 0 to below 720, one for each entry of "
                f"firing_order, got {list(angles)}",
            )
    ignition = table.choice("ignition", IGNITIONS)
    try:
        engine = Engine(
            cylinders=n,
            firing_order=order,
            ignition=ignition,
            firing_angles_deg=angles,
            coil_turns_ratio=table.number("coil_turns_ratio", positive=True),
        )
    except ParameterError as error:
        raise table.error("", str(error)) from None
    if "waste_pairs" in table:
        return replace(engine, waste_pairs=_parse_pairs(table, n, ignition))
    paired = {cylinder for pair in engine.waste_pairs for cylinder in pair}
    if ignition == "wasted_spark" and paired != set(order):
        raise table.error(
            "waste_pairs",
            "is needed: these firing angles do not put every cylinder 360 degrees from another; "
            "add for example `waste_pairs = [[1, 4], [2, 3]]`",
        )
    return engine


def _parse_pairs(table: FieldTable, n: int, ignition: str) -> tuple[tuple[int, int], ...]:
    """Check that the waste-spark pairs hold each cylinder once."""
    if ignition != "wasted_spark":
        raise table.error(
            "waste_pairs", f'only belongs to ignition = "wasted_spark", not "{ignition}"; remove it'
        )
    pairs = []
    for pair in table.items("waste_pairs", example="[[1, 4], [2, 3]]"):
        if not isinstance(pair, list) or len(pair) != 2:
            raise table.error("waste_pairs", f"must hold pairs like [1, 4], got {describe(pair)}")
        a, b = (table.check_integer("waste_pairs", value, low=1, high=n) for value in pair)
        pairs.append((a, b))
    if sorted(cylinder for pair in pairs for cylinder in pair) != list(range(1, n + 1)):
        raise table.error(
            "waste_pairs",
            f"must name each of the cylinders 1 to {n} once, got {[list(p) for p in pairs]}",
        )
    return tuple(pairs)


def _parse_wheel(table: FieldTable) -> CrankWheel:
    """Check `[crank_wheel]`; the missing teeth become runs of positions."""
    positions = table.integer("positions", low=2, high=MAX_POSITIONS, example=60)
    if "missing" in table and "gaps" in table:
        raise table.error("gaps", "stands beside `missing`; keep only one of the two")
    gaps: tuple[tuple[int, ...], ...] = ()
    if "gaps" in table:
        gaps = _parse_gaps(table, positions)
    elif "missing" in table:
        missing = table.integer("missing", low=0, high=positions - 1, example=2)
        if missing:
            gaps = (tuple(range(positions - missing + 1, positions + 1)),)
    sensor = table.choice("sensor", ("vr", "hall")) if "sensor" in table else None
    return CrankWheel(
        positions=positions,
        gaps=gaps,
        tdc_deg=table.number("tdc_deg", low=0, high=360),
        sensor=cast(Literal["vr", "hall"] | None, sensor),
    )


def _parse_gaps(table: FieldTable, positions: int) -> tuple[tuple[int, ...], ...]:
    """Check that the gaps are rising runs of missing positions and leave teeth on the wheel."""
    gaps = []
    for gap in table.items("gaps", example="[[59, 60]]"):
        if not isinstance(gap, list) or not gap:
            raise table.error(
                "gaps", f"must hold lists of missing positions like [59, 60], got {describe(gap)}"
            )
        run = tuple(table.check_integer("gaps", value, low=1, high=positions) for value in gap)
        if run != tuple(range(run[0], run[0] + len(run))):
            raise table.error(
                "gaps", f"{list(run)} is not one run of positions; give every gap its own list"
            )
        gaps.append(run)
    flat = [position for gap in gaps for position in gap]
    if flat != sorted(set(flat)):
        raise table.error("gaps", f"must rise and name no position twice, got {flat}")
    if len(flat) >= positions:
        raise table.error("gaps", "leave no tooth on the wheel; name only the missing positions")
    return tuple(gaps)


def _parse_cam(table: FieldTable) -> Cam:
    """Check `[cam]`."""
    table.require("edge_deg", "312.0")
    edge_deg = table.number("edge_deg", low=0, high=720)
    return Cam(edge_deg=cast(float, edge_deg))


def _parse_channels(
    top: FieldTable, engine: Engine, *, allow_outside: bool
) -> tuple[ChannelCard, ...]:
    """Check all `[[channel]]` tables, each alone and then together."""
    tables = top.values.get("channel")
    if tables is None or tables == []:
        raise top.error("[[channel]]", "is missing; add one for each recorded channel")
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise top.error("[[channel]]", "must be written in double brackets, one for each channel")
    cards: list[ChannelCard] = []
    for number, values in enumerate(tables, start=1):
        table = FieldTable(
            values, source=top.source, place=_channel_place(number, values), known=_CHANNEL
        )
        card = _parse_channel(table, engine, taken={c.name for c in cards})
        outside = next((n for n in (card.file, *card.parts) if _leaves_folder(n)), None)
        if not allow_outside and outside is not None:
            raise table.error(
                "file",
                f'"{outside}" leaves the folder of the job card; put the file beside the card '
                "and name it relative to it, or give --allow-outside to `misfire ingest`, "
                "`check` or `diagnose` if you trust the card",
            )
        for earlier in cards:
            if earlier.name == card.name:
                raise table.error("name", f'"{card.name}" is used twice; give each its own name')
            same_file = earlier.file == card.file
            if same_file and earlier.column == card.column and earlier.role == card.role:
                raise table.error(
                    "column", f"{card.column!r} of {card.file} is already {earlier.name!r}"
                )
            if same_file and earlier.parts != card.parts:
                raise table.error(
                    "file", f"lists other files after {card.file} than {earlier.name!r} does"
                )
            if not same_file and card.file in (earlier.parts or (earlier.file,)):
                raise table.error(
                    "file",
                    f"{card.file} is one of several files of {earlier.name!r}; list them all",
                )
            starts = (earlier.start_s, card.start_s)
            if same_file and None not in starts and starts[0] != starts[1]:
                raise table.error(
                    "start_s",
                    f"{starts[1]} differs from the {starts[0]} of {earlier.name!r}, but channels "
                    "of one file share one clock; give one start_s for the file",
                )
        cards.append(card)
    return tuple(cards)


def _channel_place(number: int, values: dict[str, Any]) -> str:
    """Name a channel table in messages: its number and, where it has one, its name."""
    name = values.get("name")
    return f"[[channel]] {number}" + (f' ("{name}")' if isinstance(name, str) and name else "")


def _parse_channel(table: FieldTable, engine: Engine, *, taken: set[str]) -> ChannelCard:
    """Check one `[[channel]]` table."""
    role = table.choice("role", ROLES)
    column = table.require("column", "0")
    if isinstance(column, str):
        column = table.text("column", example='"in1"')
    else:
        if not isinstance(column, int) or isinstance(column, bool):
            raise table.error(
                "column", f"must be an index (from 0) or a name in quotes, got {describe(column)}"
            )
        table.check_integer("column", column, low=0, high=1_000_000)
    cylinders: tuple[int, ...] = ()
    if "cylinders" in table:
        n = engine.cylinders
        cylinders = tuple(
            table.check_integer("cylinders", value, low=1, high=n)
            for value in table.items("cylinders", example="[1]")
        )
        if len(set(cylinders)) < len(cylinders):
            raise table.error("cylinders", f"names a cylinder twice: {list(cylinders)}")
    parts = _parse_parts(table)
    part_start_s = _parse_part_starts(table, parts)
    return ChannelCard(
        role=role,
        file=parts[0] if parts else table.text("file", example='"capture.wav"'),
        column=column,
        name=(table.optional_text("name") or _default_name(role, cylinders, taken)).strip(),
        cylinders=cylinders,
        unit=_parse_unit(table, role) if "unit" in table else None,
        scale=table.number("scale", nonzero=True),
        offset=table.number("offset"),
        rate_hz=table.number("rate_hz", positive=True),
        start_s=part_start_s[0] if part_start_s else table.number("start_s"),
        parts=parts if len(parts) > 1 else (),
        part_start_s=part_start_s,
    )


def _parse_unit(table: FieldTable, role: str) -> str:
    """Check the unit; of those that are known, refuse what no sensor of this role gives."""
    unit = table.choice("unit", UNITS, otherwise="put the factor to one of them into scale")
    if unit == "kV" and role not in ("coil_primary", "coil_secondary"):
        usual = "A" if role.endswith("_current") else "V"
        raise table.error("unit", f'"kV" does not fit {role}; write "{usual}", and fit scale to it')
    return unit


def _parse_parts(table: FieldTable) -> tuple[str, ...]:
    """Check a list of files that one long recording was split into; empty for a single file."""
    if not isinstance(table.values.get("file"), list):
        return ()
    example = '["part_001.wav", "part_002.wav"]'
    names = table.items("file", example=example)
    for name in names:
        if not isinstance(name, str) or not name.strip() or "\0" in name:
            raise table.error(
                "file", f"must list names in quotes, got {describe(name)}; write `file = {example}`"
            )
        if "*" in name or "?" in name:
            raise table.error(
                "file", f'"{name}": give a pattern alone, `file = "{name}"`, or plain names'
            )
    if len(set(names)) < len(names):
        raise table.error("file", "names a file twice; list each part once, in order of recording")
    return tuple(names)


def _parse_part_starts(table: FieldTable, parts: tuple[str, ...]) -> tuple[float, ...]:
    """Check a list of start times, one for each part; empty where start_s is one number."""
    if not isinstance(table.values.get("start_s"), list):
        return ()
    values = tuple(
        table.check_number("start_s", value, low=-math.inf, high=math.inf)
        for value in table.items("start_s", example="[0.0, 12.5]")
    )
    if len(values) != len(parts):
        raise table.error(
            "start_s",
            f"has {len(values)} times for {len(parts) or 1} file{'s' * (len(parts) > 1)}; give one "
            "number for the first, or one for each in the list `file`",
        )
    if any(b <= a for a, b in zip(values, values[1:], strict=False)):
        raise table.error("start_s", f"must rise from part to part, got {list(values)}")
    return values if len(values) > 1 else ()


def _default_name(role: str, cylinders: tuple[int, ...], taken: set[str]) -> str:
    """Name a channel that the card does not name: its role, and its cylinders or a number."""
    name = " ".join([role.replace("_", " "), "+".join(map(str, cylinders))]).strip()
    number, unique = 2, name
    while unique in taken:
        unique, number = f"{name} ({number})", number + 1
    return unique


def _leaves_folder(file: str) -> bool:
    """Tell whether a file name of the card points outside the card's folder."""
    plain = file.replace("\\", "/")
    normal = posixpath.normpath(plain)
    rooted = plain.startswith("/") or bool(PureWindowsPath(file).drive)
    return rooted or normal == ".." or normal.startswith("../")
