"""Scenario files: TOML to a checked `Scenario` and back."""

from __future__ import annotations

import dataclasses
import tomllib
import typing
from pathlib import Path
from typing import Any

import numpy as np

import misfire.simulate.scenario as parts
from misfire.errors import FormatError, ParameterError
from misfire.simulate.pieces_model import PiecesModel
from misfire.simulate.scenario import Scenario

TABLES: dict[str, Any] = {
    "engine": parts.EngineModel,
    "crank_wheel": parts.WheelModel,
    "cam": parts.CamModel,
    "coil": parts.CoilModel,
    "pieces": PiecesModel,
    "drive": parts.DriveModel,
    "card": parts.CardModel,
}
LISTS: dict[str, Any] = {
    "instrument": parts.InstrumentModel,
    "channel": parts.ChannelModel,
    "fault": parts.FaultModel,
}


def read_scenario(path: Path) -> Scenario:
    """Read a scenario file.

    The file holds top-level fields of `Scenario` (seed, duration_s, vehicle, note, format,
    waves), the tables [engine], [crank_wheel], [cam], [coil], [pieces], [drive], [card], and lists
    of tables [[instrument]], [[channel]], [[fault]]; each field is one of the dataclass of that
    name in `misfire.simulate.scenario` (of [pieces]: in `misfire.simulate.pieces_model`). What is
    left out keeps its default: a healthy four-cylinder engine with coils on the plugs, at idle.
    With `draw = true` what is left out is drawn at random from `seed` instead (a list of tables
    that is given replaces the drawn one whole).

    Parameters
    ----------
    path : Path

    Returns
    -------
    scenario : Scenario

    Raises
    ------
    FormatError
        If the file cannot be read or is not TOML.
    ParameterError
        If a field is unknown, of the wrong kind or outside its range; the message names it.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise FormatError(
            f"{path}: the scenario cannot be read ({error.strerror}); check the path"
        ) from None
    except UnicodeDecodeError:
        raise FormatError(f"{path}: is no text in UTF-8; save the scenario as such") from None
    try:
        return parse_scenario(text)
    except tomllib.TOMLDecodeError as error:
        raise FormatError(f"{path}: not valid TOML: {error}") from error
    except RecursionError:
        raise FormatError(f"{path}: is nested too deeply for a scenario") from None
    except ParameterError as error:
        raise ParameterError(f"{path}: {error}") from error


def parse_scenario(text: str) -> Scenario:
    r"""Build a scenario from TOML text; see `read_scenario`.

    Examples
    --------
    >>> parse_scenario('seed = 4\n[engine]\nidle_rpm = 700').engine.idle_rpm
    700
    """
    from misfire.simulate.draw import draw_scenario

    table = tomllib.loads(text)
    drawn = table.pop("draw", False)
    if not isinstance(drawn, bool):
        raise ParameterError(f"draw: need true or false, got {drawn!r}")
    seed = table.get("seed", 0)
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        raise ParameterError(f"seed: need a whole number from 0, got {seed!r}")
    base = draw_scenario(np.random.default_rng(seed)) if drawn else Scenario()
    given = table.get("engine", {})
    if drawn and isinstance(given, dict) and {"cylinders", "firing_order"} & given.keys():
        even = dataclasses.replace(base.engine, firing_angles_deg=(), waste_pairs=())
        base = dataclasses.replace(base, engine=even)  # those drawn belong to another engine
    changes: dict[str, Any] = {}
    for name, value in table.items():
        if name in TABLES:
            changes[name] = _change(getattr(base, name), value, name)
        elif name in LISTS:
            if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
                raise ParameterError(f"{name}: write it as [[{name}]]")
            changes[name] = tuple(
                _change(LISTS[name](), v, f"{name} {i}") for i, v in enumerate(value, 1)
            )
        else:
            changes[name] = value
    return typing.cast(Scenario, _change(base, changes, "scenario"))


def _change(part: Any, values: Any, where: str) -> Any:
    """Give a frozen part new values; name the field in every message."""
    if not isinstance(values, dict):
        raise ParameterError(f"{where}: write it as [{where}]")
    known = typing.get_type_hints(type(part))
    converted = {}
    for name, value in values.items():
        if name not in known:
            raise ParameterError(f"{where}: no field {name!r}; known are {', '.join(known)}")
        converted[name] = _convert(value, known[name], f"{where}.{name}")
    if isinstance(part, parts.FaultModel) and "type" in converted:
        converted.setdefault("kind", "")
    return dataclasses.replace(part, **converted)


def _convert(value: Any, kind: Any, where: str) -> Any:
    """Check the kind of one value; lists become tuples."""
    if typing.get_origin(kind) is tuple:
        if isinstance(value, tuple):
            return value
        inner = typing.get_args(kind)[0]
        if not isinstance(value, list):
            raise ParameterError(f"{where}: need a list, got {value!r}")
        return tuple(_convert(v, inner, where) for v in value)
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        return value
    wanted: Any = str if typing.get_origin(kind) is typing.Literal else kind
    if not isinstance(value, wanted) or (isinstance(value, bool) and wanted is not bool):
        raise ParameterError(f"{where}: need {wanted.__name__}, got {value!r}")
    return value


def format_scenario(scenario: Scenario) -> str:
    """Write a scenario as TOML text, complete, so that it reads back equal.

    Examples
    --------
    >>> parse_scenario(format_scenario(Scenario(seed=3))) == Scenario(seed=3)
    True
    """
    lines = []
    for spec in dataclasses.fields(scenario):
        if spec.name not in TABLES and spec.name not in LISTS:
            lines.append(f"{spec.name} = {format_value(getattr(scenario, spec.name))}")
    for name in TABLES:
        lines += ["", f"[{name}]", *_field_lines(getattr(scenario, name))]
    for name in LISTS:
        entries = getattr(scenario, name)
        for part in entries:
            lines += ["", f"[[{name}]]", *_field_lines(part)]
    return "\n".join(lines) + "\n"


def _field_lines(part: Any) -> list[str]:
    """Write the fields of one table."""
    return [f"{f.name} = {format_value(getattr(part, f.name))}" for f in dataclasses.fields(part)]


def format_value(value: Any) -> str:
    """Write one TOML value."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
        return f'"{escaped}"'
    if isinstance(value, tuple):
        return "[" + ", ".join(format_value(v) for v in value) + "]"
    return repr(float(value)) if isinstance(value, float) else repr(value)
