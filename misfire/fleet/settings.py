"""What a screening is told, how far it is, and what it gives back."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from misfire.errors import ParameterError
from misfire.fleet.pool import TaskLimits, choose_memory
from misfire.numerals import spell


@dataclass(frozen=True, slots=True)
class ScreenProgress:
    """How far a screening is: `rate` recordings a minute, `remaining_s` None until it is known."""

    stage: str
    done: int
    total: int
    failed: int
    rate: float
    remaining_s: float | None


@dataclass(frozen=True, slots=True)
class ScreenSettings:
    """How to screen. `memory_bytes` None: three quarters of the machine's, shared by workers."""

    workers: int = 1
    scheduler: str | None = None
    model: Path | None = None
    time_limit_s: float = 1800.0
    memory_bytes: int | None = None
    retry: bool = False

    def __post_init__(self) -> None:
        """Refuse what cannot work."""
        if self.workers < 1:
            raise ParameterError(f"workers must be at least 1, got {self.workers}")
        if not self.time_limit_s > 0:
            raise ParameterError(
                f"the time limit must be above 0 s, got {spell(self.time_limit_s)}"
            )
        if self.memory_bytes is not None and self.memory_bytes < 1 << 20:
            raise ParameterError("the memory limit must be at least 1 MiB")

    @property
    def limits(self) -> TaskLimits:
        """What one recording may take."""
        return TaskLimits(self.time_limit_s, self.memory_bytes or choose_memory(self.workers))


@dataclass(frozen=True, slots=True)
class Screening:
    """What a screening made: the fleet's document, this run's counts, the files written."""

    fleet: dict[str, Any]
    run: dict[str, Any]
    written: tuple[Path, ...]

    @property
    def complete(self) -> bool:
        """Whether nothing is left to judge."""
        return not self.fleet["counts"]["open"]
