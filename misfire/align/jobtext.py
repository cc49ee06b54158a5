"""A checked job card as JSON and back, for keeping it inside a recording."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from misfire.records import Cam, ChannelCard, CrankWheel, Engine, JobCard


def format_job(job: JobCard) -> str:
    """Write a checked job card as JSON, without its folder and text."""
    values = asdict(job)
    del values["folder"], values["text"]
    return json.dumps(values)


def parse_job(data: str, *, folder: Path, text: str) -> JobCard:
    """Read back what `format_job` wrote.

    Raises
    ------
    ValueError, KeyError, TypeError
        If it is something else (a `ParameterError` is a ValueError).
    """
    values: dict[str, Any] = json.loads(data)
    engine = values.pop("engine")
    for key in ("firing_order", "firing_angles_deg"):
        engine[key] = tuple(engine[key])
    engine["waste_pairs"] = tuple(tuple(pair) for pair in engine["waste_pairs"])
    wheel = values.pop("wheel")
    if wheel is not None:
        wheel = CrankWheel(**{**wheel, "gaps": tuple(tuple(gap) for gap in wheel["gaps"])})
    cam = values.pop("cam")
    channels = tuple(
        ChannelCard(**{**card, "cylinders": tuple(card["cylinders"])})
        for card in values.pop("channels")
    )
    return JobCard(
        **values,
        engine=Engine(**engine),
        channels=channels,
        wheel=wheel,
        cam=None if cam is None else Cam(**cam),
        folder=folder,
        text=text,
    )
