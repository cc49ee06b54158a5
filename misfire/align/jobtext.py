"""A checked job card as JSON and back, for keeping it inside a recording."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from misfire.limits import MAX_POSITIONS
from misfire.records import (
    ROLES,
    UNITS,
    Cam,
    ChannelCard,
    CrankWheel,
    Engine,
    JobCard,
    JobMark,
    Sheet,
)

LARGEST = 1e300  # of a number, as in a job card


def format_job(job: JobCard) -> str:
    """Write a checked job card as JSON, without its folder and text."""
    values = asdict(job)
    del values["folder"], values["text"]
    return json.dumps(values)


def parse_job(data: str, *, folder: Path, text: str) -> JobCard:
    """Read back what `format_job` wrote; anyone may have changed it, so all of it is checked.

    Raises
    ------
    ValueError, KeyError, TypeError
        If it is something else (a `ParameterError` is a ValueError).
    """
    try:
        values: dict[str, Any] = dict(json.loads(data))
    except RecursionError:
        raise ValueError("the job is nested too deeply") from None
    engine = dict(values.pop("engine"))
    for key in ("firing_order", "firing_angles_deg"):
        engine[key] = tuple(engine[key])
    engine["waste_pairs"] = tuple(tuple(pair) for pair in engine["waste_pairs"])
    wheel = values.pop("wheel")
    if wheel is not None:
        wheel = CrankWheel(**{**wheel, "gaps": tuple(tuple(gap) for gap in wheel["gaps"])})
    cam = values.pop("cam")
    channels = tuple(
        ChannelCard(
            **{
                **card,
                "cylinders": tuple(card["cylinders"]),
                "parts": tuple(card.get("parts", ())),
            }
        )
        for card in values.pop("channels")
    )
    _check_engine_kinds(engine)
    sheet = Sheet(**values.pop("sheet", {}))
    marks = tuple(JobMark(**mark) for mark in values.pop("marks", ()))
    job = JobCard(
        **values,
        sheet=sheet,
        marks=marks,
        engine=Engine(**engine),
        channels=channels,
        wheel=wheel,
        cam=None if cam is None else Cam(**cam),
        folder=folder,
        text=text,
    )
    _check_job(job)
    return job


def _check_engine_kinds(engine: dict[str, Any]) -> None:
    """Refuse an engine whose numbers are none, before it is compared with anything."""
    _require(_is_whole(engine["cylinders"], 1, 12), "cylinders")
    _require(all(_is_whole(c, 1, 12) for c in engine["firing_order"]), "firing_order")
    _require(all(_is_number(a) for a in engine["firing_angles_deg"]), "firing_angles_deg")
    _require(isinstance(engine["ignition"], str), "ignition")
    pairs = engine["waste_pairs"]
    named = sorted(c for pair in pairs for c in pair if _is_whole(c, 1, engine["cylinders"]))
    fits = all(len(pair) == 2 for pair in pairs) and len(named) == 2 * len(pairs)
    _require(fits and len(set(named)) == len(named), "waste_pairs")
    ratio = engine.get("coil_turns_ratio")
    _require(ratio is None or (_is_number(ratio) and ratio > 0), "coil_turns_ratio")


def _check_job(job: JobCard) -> None:
    """Refuse what no job card could have held."""
    _require(isinstance(job.vehicle_id, str) and isinstance(job.note, str), "vehicle")
    sheet = job.sheet
    texts = (sheet.recorded, sheet.technician, sheet.workshop, *(m.text for m in job.marks))
    _require(all(isinstance(text, str) for text in texts), "vehicle or mark")
    km = sheet.odometer_km
    _require(km is None or (_is_number(km) and km >= 0), "vehicle odometer_km")
    _require(all(_is_number(m.time_s) and m.time_s >= 0 for m in job.marks), "mark time_s")
    wheel = job.wheel
    if wheel is not None:
        _require(_is_whole(wheel.positions, 2, MAX_POSITIONS), "crank_wheel positions")
        flat = [at for gap in wheel.gaps for at in gap]
        in_range = all(_is_whole(at, 1, wheel.positions) for at in flat) and all(wheel.gaps)
        runs = in_range and all(
            list(gap) == list(range(gap[0], gap[0] + len(gap))) for gap in wheel.gaps
        )
        rising = runs and flat == sorted(set(flat)) and len(flat) < wheel.positions
        _require(rising, "crank_wheel gaps")
        tdc = wheel.tdc_deg
        _require(tdc is None or (_is_number(tdc) and 0 <= tdc <= 360), "crank_wheel tdc_deg")
        _require(wheel.sensor in (None, "vr", "hall"), "crank_wheel sensor")
    if job.cam is not None:
        edge = job.cam.edge_deg
        _require(_is_number(edge) and 0 <= edge <= 720, "cam edge_deg")
    _require(bool(job.channels), "channel")
    for card in job.channels:
        texts = (card.role, card.file, card.name)
        _require(all(isinstance(text, str) for text in (*texts, *card.parts)), "channel name")
        _require(card.role in ROLES and card.unit in (None, *UNITS), "channel role or unit")
        column = card.column
        _require(isinstance(column, str) or _is_whole(column, 0, 1 << 31), "channel column")
        cylinders = card.cylinders
        _require(all(_is_whole(c, 1, job.engine.cylinders) for c in cylinders), "channel cylinders")
        numbers = (card.scale, card.offset, card.rate_hz, card.start_s)
        _require(all(n is None or _is_number(n) for n in numbers), "channel scale or rate_hz")
        _require(card.rate_hz is None or card.rate_hz > 0, "channel rate_hz")


def _require(holds: bool, what: str) -> None:
    """Refuse a job with one field that no job card could have held."""
    if not holds:
        raise ValueError(f"the job's {what} is not what a job card can hold")


def _is_whole(value: Any, low: int, high: int) -> bool:
    """Tell a whole number within bounds, both included."""
    return isinstance(value, int) and not isinstance(value, bool) and low <= value <= high


def _is_number(value: Any) -> bool:
    """Tell a finite number that a float can hold."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= LARGEST
