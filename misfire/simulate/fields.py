"""Fields of a scenario's parts: their defaults, the values they allow, and the check of them."""

from __future__ import annotations

from dataclasses import field
from typing import Any

from misfire.errors import ParameterError


def number(default: float, low: float, high: float) -> Any:
    """Make a field with its allowed range [low, high]."""
    return field(default=default, metadata={"low": low, "high": high})


def choice(default: str, choices: tuple[str, ...]) -> Any:
    """Make a field that takes one of some words."""
    return field(default=default, metadata={"choices": choices})


def check_fields(part: Any, where: str) -> None:
    """Refuse a value outside the range or words that its field allows.

    Parameters
    ----------
    part : dataclass instance whose fields carry `low`/`high` or `choices`
    where : str
        Name of the part in messages, as in the scenario file.

    Raises
    ------
    ParameterError
        If a number is outside its range or a word is not one of the choices.
    """
    for name, spec in type(part).__dataclass_fields__.items():
        value = getattr(part, name)
        if "low" in spec.metadata:
            low, high = spec.metadata["low"], spec.metadata["high"]
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise ParameterError(f"{where}.{name}: need a number, got {value!r}")
            if not low <= value <= high:
                raise ParameterError(f"{where}.{name}: need {low:g} to {high:g}, got {value}")
        elif "choices" in spec.metadata and value not in spec.metadata["choices"]:
            words = ", ".join(spec.metadata["choices"])
            raise ParameterError(f"{where}.{name}: need one of {words}, got {value!r}")
