"""The connection plan, as values: what goes where, for how long, and what it will show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from misfire.records import CrankWheel, Engine

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Lead:
    """One input of the instrument and where its lead goes.

    `range_value` [unit=`unit`]: full scale either way, at the probe's tip. `factor`: value for one
    volt at the instrument's input. `scale`: value of one stored count of 16 bits, if the instrument
    fills them at that range.
    """

    number: int
    role: str
    cylinders: tuple[int, ...]
    name: str
    where: str
    probe: str
    short: str  # the probe in a word, for the drawing
    attenuation: str
    range_value: float
    unit: str
    coupling: str
    least_rate_hz: float
    factor: float
    gives: str
    caution: str = ""

    @property
    def scale(self) -> float:
        """Value of one count of 16 bits."""
        return self.range_value / 32768


@dataclass(frozen=True, slots=True)
class Length:
    """How long to record for a fault that comes once in `one_in` firings of its cylinder."""

    one_in: int
    firings: int
    seconds: float
    megabytes: float


@dataclass(frozen=True, slots=True)
class Told:
    """What the plan can tell of some cylinders: fault types told apart, and those that are not."""

    cylinders: tuple[int, ...]
    types: tuple[str, ...]
    hidden: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Expected:
    """A waveform to expect, around one switch-off (or one turn of the crank).

    `x`, `y` [shape=(n,)]: milliseconds from switch-off (crank: degrees) and value. `dwell_ms`,
    `burn_ms` name its parts; 0 where they do not apply.
    """

    role: str
    name: str
    unit: str
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    dwell_ms: float = 0.0
    burn_ms: float = 0.0
    range_value: float = 0.0


@dataclass(frozen=True, slots=True)
class HookupPlan:
    """All of it. `assumed`: what was not told and is taken as usual."""

    vehicle: str
    engine: Engine
    wheel: CrankWheel | None
    leads: tuple[Lead, ...]
    free_inputs: int
    rate_hz: float
    rpm: float
    lengths: tuple[Length, ...]
    chosen: Length
    told: tuple[Told, ...]
    resolved: str  # how the cylinders are told apart, in words
    assumed: tuple[str, ...]
    card: str
    expected: tuple[Expected, ...] = ()
    suspect: int = 0
