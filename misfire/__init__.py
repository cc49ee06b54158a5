"""Names the misfiring cylinder of an engine from recordings of its signals.

The public names load their modules on first use, so that `import misfire` stays light.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from misfire.diagnosis.chain import diagnose as diagnose
    from misfire.diagnosis.chain import ingest as store_recording
    from misfire.errors import MisfireError as MisfireError
    from misfire.fleet.screening import screen as screen
    from misfire.fleet.settings import ScreenSettings as ScreenSettings
    from misfire.ingest.jobcard import read_job_card as read_job_card
    from misfire.measuring.opening import open_recording as open_recording
    from misfire.records import Diagnosis as Diagnosis

__version__ = "0.2.0"  # what changed: misfire/docs/CHANGELOG.md

_HOMES = {
    "Diagnosis": "misfire.records",
    "MisfireError": "misfire.errors",
    "ScreenSettings": "misfire.fleet.settings",
    "diagnose": "misfire.diagnosis.chain",
    "open_recording": "misfire.measuring.opening",
    "read_job_card": "misfire.ingest.jobcard",
    "screen": "misfire.fleet.screening",
    "store_recording": "misfire.diagnosis.chain",
}
_ALIASES = {"store_recording": "ingest"}  # `misfire.ingest` is the package of the readers

__all__ = [  # noqa: F822 - most come from __getattr__
    "Diagnosis",
    "MisfireError",
    "ScreenSettings",
    "__version__",
    "diagnose",
    "open_recording",
    "read_job_card",
    "screen",
    "store_recording",
]


def __getattr__(name: str) -> Any:
    """Load a public name from the module where it lives (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    value = getattr(import_module(_HOMES[name]), _ALIASES.get(name, name))
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return sorted({*globals(), *__all__})
