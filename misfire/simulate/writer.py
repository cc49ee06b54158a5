"""Simulated recordings as files: capture, job card and truth."""

from __future__ import annotations

import io
import json
import struct
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.errors import OutputError, ParameterError
from misfire.publishing import write_whole
from misfire.simulate.recording import SimulatedChannel, SimulatedRecording
from misfire.simulate.scenario import FORMATS

LARGEST_CSV = 4_000_000  # rows; text grows past all use beyond


def write_recording(sim: SimulatedRecording, folder: Path, *, fmt: str | None = None) -> Path:
    """Write a recording as a folder: capture file(s), `job.toml`, `truth.json`.

    Each file is written under a temporary name and then renamed; the job card comes last, so that
    a folder with a job card is complete.

    Parameters
    ----------
    sim : SimulatedRecording
    folder : Path
        Made if absent.
    fmt : {"wav", "h5", "csv", "npz"}, optional
        The scenario's own format when left out.

    Returns
    -------
    job : Path
        The job card.

    Raises
    ------
    ParameterError
        If the format is unknown, or the recording too long for CSV.
    OutputError
        If a file cannot be written.
    """
    fmt = fmt or sim.scenario.format
    if fmt not in FORMATS:
        raise ParameterError(f"format: need one of {', '.join(FORMATS)}, got {fmt!r}")
    if fmt == "csv" and max(c.counts.size for c in sim.channels) > LARGEST_CSV:
        raise ParameterError(
            f"format csv: more than {LARGEST_CSV} rows; choose wav, h5 or npz, or a lower rate"
        )
    groups: dict[int, list[SimulatedChannel]] = {}
    for channel in sim.channels:
        groups.setdefault(channel.instrument, []).append(channel)
    files = {i: "capture" + ("" if i == 0 else f"_{i + 1}") + f".{fmt}" for i in groups}
    write = {"wav": _write_wav, "h5": _write_h5, "csv": _write_csv, "npz": _write_npz}[fmt]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for number, channels in groups.items():
            write_whole(folder / files[number], partial(write, channels=channels))
        truth = json.dumps(sim.truth, separators=(",", ":"))
        write_whole(folder / "truth.json", truth.encode("utf-8"))
        card = format_job_card(sim, files, fmt)
        write_whole(folder / "job.toml", card.encode("utf-8"))
    except OSError as error:
        raise OutputError(f"{folder}: cannot write the recording: {error}") from error
    return folder / "job.toml"


def _columns(channels: list[SimulatedChannel]) -> list[str]:
    """Name the columns of one file, each once."""
    return [f"ch{i + 1}" for i in range(len(channels))]


def _write_wav(path: Path, channels: list[SimulatedChannel]) -> None:
    """Write PCM of 16 bits, channels side by side."""
    frames = np.stack([c.counts for c in channels], axis=1)
    n_bytes, width = frames.nbytes, 2 * len(channels)
    if n_bytes > 0xFFFFFF00:
        raise ParameterError(f"{path.name}: over 4 GB, too long for WAV; choose h5")
    rate = round(channels[0].rate_hz)
    head = struct.pack("<4sI4s4sIHHIIHH4sI", b"RIFF", 36 + n_bytes, b"WAVE", b"fmt ", 16, 1,
                       len(channels), rate, rate * width, width, 16, b"data", n_bytes)  # fmt: skip
    with path.open("wb") as file:
        file.write(head)
        file.write(frames.astype("<i2").tobytes())


def _write_h5(path: Path, channels: list[SimulatedChannel]) -> None:
    """Write one dataset of counts a channel, with its attributes."""
    import h5py

    buffer = io.BytesIO()  # HDF5 cannot end well on a full disk; all is in memory anyhow
    with h5py.File(buffer, "w") as file:
        for name, channel in zip(_columns(channels), channels, strict=True):
            data = file.create_dataset(
                name, data=channel.counts, chunks=(min(262_144, channel.counts.size),),
                compression="gzip", compression_opts=1, shuffle=True, track_times=False,
            )  # fmt: skip
            data.attrs["rate_hz"] = channel.rate_hz
            data.attrs["scale"] = channel.scale
            data.attrs["unit"] = channel.unit
    path.write_bytes(buffer.getbuffer())


def _write_npz(path: Path, channels: list[SimulatedChannel]) -> None:
    """Write the counts as arrays of one archive."""
    arrays = dict(zip(_columns(channels), [c.counts for c in channels], strict=True))
    with path.open("wb") as file:
        np.savez(file, **arrays)  # type: ignore[arg-type]


def _write_csv(path: Path, channels: list[SimulatedChannel]) -> None:
    """Write time and values as text, with a header and a row of units."""
    import pandas as pd

    columns: dict[str, NDArray[np.floating[Any]]] = {}
    columns["Time"] = np.arange(channels[0].counts.size) / channels[0].rate_hz
    for name, channel in zip(_columns(channels), channels, strict=True):
        columns[name] = channel.counts * channel.scale
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(",".join(columns) + "\n")
        file.write(",".join(f"({u})" for u in ["s"] + [c.unit for c in channels]) + "\n\n")
        pd.DataFrame(columns).to_csv(
            file, index=False, header=False, float_format="%.9g", lineterminator="\n"
        )


def format_job_card(sim: SimulatedRecording, files: dict[int, str], fmt: str) -> str:
    """Write the job card: as much of the truth as the scenario's card tells.

    Parameters
    ----------
    sim : SimulatedRecording
    files : dict of instrument number to file name
    fmt : str

    Returns
    -------
    text : str
        TOML.
    """
    scenario = sim.scenario
    engine, wheel, tells = scenario.engine, scenario.crank_wheel, scenario.card
    lines = ["[vehicle]", f"id = {json.dumps(scenario.vehicle)}"]
    if scenario.note:
        lines.append(f"note = {json.dumps(scenario.note, ensure_ascii=False)}")
    lines += ["", "[engine]", f"cylinders = {engine.cylinders}"]
    lines.append(f"firing_order = {list(engine.firing_order)}")
    lines.append(f'ignition = "{engine.ignition}"')
    if engine.firing_angles_deg:
        lines.append(f"firing_angles_deg = {[float(a) for a in engine.firing_angles_deg]}")
    if engine.waste_pairs:
        lines.append(f"waste_pairs = {[list(p) for p in engine.waste_pairs]}")
    if tells.turns_ratio:
        lines.append(f"coil_turns_ratio = {float(scenario.coil.turns_ratio)!r}")
    lines.append("strokes = 4")
    roles = {c.role for c in scenario.channel}
    if tells.wheel and "crank" in roles:
        lines += ["", "[crank_wheel]", f"positions = {wheel.positions}"]
        run = wheel.gaps[0] if wheel.gaps else ()
        plain = len(wheel.gaps) <= 1 and tuple(
            range(wheel.positions - len(run) + 1, wheel.positions + 1)
        ) == tuple(run)
        if plain:
            lines.append(f"missing = {len(run)}")
        else:
            lines.append(f"gaps = {[list(g) for g in wheel.gaps]}")
        if tells.tdc:
            lines.append(f"tdc_deg = {float(wheel.tdc_deg)!r}")
        if tells.sensor:
            lines.append(f'sensor = "{wheel.sensor}"')
    if "cam" in roles:
        lines += ["", "[cam]", f"edge_deg = {float(min(scenario.cam.rising_deg))!r}"]
    seen: dict[int, int] = {}
    for channel in sim.channels:
        column = seen.get(channel.instrument, 0)
        seen[channel.instrument] = column + 1
        lines += ["", "[[channel]]", f'role = "{channel.model.role}"']
        lines.append(f'file = "{files[channel.instrument]}"')
        named = fmt in ("h5", "npz", "csv")
        lines.append(f'column = "ch{column + 1}"' if named else f"column = {column}")
        if channel.model.cylinders and tells.cylinders:
            lines.append(f"cylinders = {list(channel.model.cylinders)}")
        lines.append(f'unit = "{channel.unit}"')
        if fmt != "csv":
            lines.append(f"scale = {channel.scale!r}")
        if fmt == "npz":
            lines.append(f"rate_hz = {float(channel.rate_hz)!r}")
        if len(files) > 1 and tells.start:
            start = scenario.instrument[channel.instrument].start_s
            lines.append(f"start_s = {float(start)!r}")
        lines.append(f"name = {json.dumps(channel.name, ensure_ascii=False)}")
    return "\n".join(lines) + "\n"
