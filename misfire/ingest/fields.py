"""Typed access to one table of a job card; every mistake names its field and the remedy."""

import difflib
import math
from collections.abc import Iterable
from typing import Any

from misfire.errors import JobCardError
from misfire.numerals import spell

_KINDS = {
    bool: "true/false",
    int: "a whole number",
    float: "a number",
    str: "text",
    dict: "a table",
}


class FieldTable:
    """One TOML table with its place in the card, for reading fields and refusing mistakes."""

    def __init__(
        self, values: dict[str, Any], *, source: str, place: str, known: Iterable[str]
    ) -> None:
        """Keep the table; refuse a key that the card does not know."""
        self.values = values
        self.source = source
        self.place = place
        names = tuple(known)
        for key in values:
            if key not in names:
                raise self.error(key, "is not a known field; " + suggest_name(key, names))

    def __contains__(self, key: str) -> bool:
        return key in self.values

    def error(self, key: str, message: str) -> JobCardError:
        """Make the error for one field: file, field, what is wrong and what to do."""
        return JobCardError(f"{self.source}: {f'{self.place} {key}'.strip()}: {message}")

    def require(self, key: str, example: str) -> Any:
        """Give a field that must be there."""
        if key not in self.values:
            raise self.error(key, f"is missing; add for example `{key} = {example}`")
        return self.values[key]

    def text(self, key: str, *, example: str) -> str:
        """Give a text that must be there and not be blank."""
        value = self.require(key, example)
        if not isinstance(value, str):
            raise self.error(
                key, f'must be text in quotes, got {describe(value)}; write `{key} = "{value}"`'
            )
        if not value.strip() or "\0" in value:
            raise self.error(key, f"must not be blank; write for example `{key} = {example}`")
        return value

    def optional_text(self, key: str) -> str | None:
        """Give a text, or None where the card is silent."""
        return self.text(key, example='"..."') if key in self.values else None

    def choice(self, key: str, options: tuple[str, ...], *, otherwise: str = "") -> str:
        """Give one of some words; `otherwise` is the advice where none is nearly the given one."""
        value = self.text(key, example=f'"{options[0]}"')
        if value not in options:
            advice = _find_near(value, options) or otherwise
            words = f'"{value}" is not one of {", ".join(options)}'
            raise self.error(key, f"{words}; {advice}" if advice else words)
        return value

    def integer(self, key: str, *, low: int, high: int, example: int) -> int:
        """Give a whole number within bounds, both included."""
        return self.check_integer(key, self.require(key, str(example)), low=low, high=high)

    def check_integer(self, key: str, value: Any, *, low: int, high: int) -> int:
        """Refuse what is not a whole number within bounds, both included."""
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.error(key, f"must be a whole number, got {describe(value)}")
        if not low <= value <= high:
            raise self.error(key, f"must be {low} to {high}, got {value}")
        return value

    def number(
        self,
        key: str,
        *,
        low: float = -math.inf,
        high: float = math.inf,
        positive: bool = False,
        nonzero: bool = False,
    ) -> float | None:
        """Give a finite number within bounds, or None where the card is silent."""
        if key not in self.values:
            return None
        value = self.check_number(key, self.values[key], low=low, high=high)
        if positive and value <= 0:
            raise self.error(key, f"must be above 0, got {spell(value)}")
        if nonzero and value == 0:
            raise self.error(key, "must not be 0: every value would come out the same")
        return value

    def check_number(self, key: str, value: Any, *, low: float, high: float) -> float:
        """Refuse what is not a finite number within bounds, both included."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.error(key, f"must be a number, got {describe(value)}")
        if abs(value) == math.inf or value != value or abs(value) > 1e300:
            raise self.error(key, f"must be a finite number, got {str(value)[:20]}")
        if not low <= value <= high:
            bounds = (
                f"{spell(low)} to {spell(high)}"
                if math.isfinite(high)
                else f"at least {spell(low)}"
            )
            raise self.error(key, f"must be {bounds}, got {spell(value)}")
        return float(value)

    def items(self, key: str, *, example: str) -> list[Any]:
        """Give a list that is not empty."""
        value = self.require(key, example)
        if not isinstance(value, list):
            raise self.error(
                key, f"must be a list, got {describe(value)}; write for example `{key} = {example}`"
            )
        if not value:
            raise self.error(key, f"must not be empty; write for example `{key} = {example}`")
        return value


def describe(value: Any) -> str:
    """Say in words what a TOML value is."""
    if isinstance(value, list):
        return f"the list {value}"
    kind = _KINDS.get(type(value), "a date or time")
    shown = f'"{value}"' if isinstance(value, str) else str(value)
    return kind if isinstance(value, dict) else f"{kind} ({shown})"


def suggest_name(given: str, names: Iterable[str]) -> str:
    """Point to the nearest of some names, or list them all."""
    known = tuple(names)
    return _find_near(given, known) or "known are " + ", ".join(f'"{name}"' for name in known)


def _find_near(given: str, names: Iterable[str]) -> str:
    """Point to the nearest of some names; empty where none is near."""
    near = difflib.get_close_matches(given.lower(), tuple(names), n=1, cutoff=0.6)
    return f'did you mean "{near[0]}"?' if near else ""
