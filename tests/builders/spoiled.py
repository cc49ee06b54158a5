"""Simulated recordings kept in memory, and ways to spoil them."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from misfire.ingest.jobcard import parse_job_card
from misfire.records import LEVEL_FIELDS, Channel, Recording
from misfire.simulate.recording import simulate
from misfire.simulate.writer import format_job_card


def open_simulated(scenario, *, card=None, spoil=None):
    """Give a simulated scenario as a Recording; `card(text)` and `spoil(counts)` may change it.

    `spoil` gets a dict of channel name to counts and changes it in place.
    """
    made = simulate(scenario)
    return wrap(made, card=card, spoil=spoil)


def wrap(made, *, card=None, spoil=None):
    """Give a simulation's channels as a Recording."""
    files = {c.instrument: f"capture{c.instrument}.wav" for c in made.channels}
    text = format_job_card(made, files, "wav")
    job = parse_job_card(card(text) if card else text, folder=Path("."), source="job.toml")
    counts = {c.name: c.counts.copy() for c in made.channels}
    if spoil is not None:
        spoil(counts)
    channels = tuple(
        Channel(
            name=c.name,
            role=c.role,
            unit=c.unit,
            scale=c.scale,
            offset=0.0,
            rate_hz=sim.rate_hz,
            start_s=0.0,
            n_samples=counts[sim.name].size,
            cylinders=c.cylinders,
            clock=c.file,
        )
        for c, sim in zip(job.channels, made.channels, strict=True)
    )
    by_card = {c.name: s.name for c, s in zip(job.channels, made.channels, strict=True)}
    return Recording(
        path=Path("job.toml"),
        sha256="",
        job=job,
        channels=channels,
        read=lambda name, a, b: counts[by_card[name]][a:b],
        read_levels=lambda name: np.empty(0, LEVEL_FIELDS),
    )


def thin_out(recording, every):
    """Give the same recording as an instrument of a lower rate had taken it."""
    channels = tuple(
        replace(c, rate_hz=c.rate_hz / every, n_samples=c.n_samples // every)
        for c in recording.channels
    )
    return replace(
        recording,
        channels=channels,
        read=lambda name, a, b: recording.read(name, a * every, b * every)[::every],
    )
