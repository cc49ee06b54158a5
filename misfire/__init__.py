"""Names the misfiring cylinder of an engine from recordings of its signals.

Every command has its function here. The public names load their modules on first use, so that
`import misfire` stays light.
"""

import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from misfire.api import Case as Case
    from misfire.api import Check as Check
    from misfire.api import Comparison as Comparison
    from misfire.api import DiagnosisResult as DiagnosisResult
    from misfire.api import Hookup as Hookup
    from misfire.api import ModelScores as ModelScores
    from misfire.api import ScreenResult as ScreenResult
    from misfire.api import Simulated as Simulated
    from misfire.api import check as check
    from misfire.api import compare as compare
    from misfire.api import confirm as confirm
    from misfire.api import diagnose as diagnose
    from misfire.api import evaluate as evaluate
    from misfire.api import hookup as hookup
    from misfire.api import screen as screen
    from misfire.api import simulate as simulate
    from misfire.api import train as train
    from misfire.diagnosis.chain import ingest as store_recording
    from misfire.errors import MisfireError as MisfireError
    from misfire.fleet.settings import ScreenSettings as ScreenSettings
    from misfire.hookup.plan import HookupWish as HookupWish
    from misfire.ingest.jobcard import read_job_card as read_job_card
    from misfire.measuring.opening import open_recording as open_recording
    from misfire.records import Diagnosis as Diagnosis
    from misfire.records import Fault as Fault

__version__ = "0.2.0"  # what changed: misfire/docs/CHANGELOG.md

_HOMES = {
    "Case": "misfire.api",
    "Check": "misfire.api",
    "Comparison": "misfire.api",
    "Diagnosis": "misfire.records",
    "DiagnosisResult": "misfire.api",
    "Fault": "misfire.records",
    "Hookup": "misfire.api",
    "HookupWish": "misfire.hookup.plan",
    "MisfireError": "misfire.errors",
    "ModelScores": "misfire.api",
    "ScreenResult": "misfire.api",
    "ScreenSettings": "misfire.fleet.settings",
    "Simulated": "misfire.api",
    "check": "misfire.api",
    "compare": "misfire.api",
    "confirm": "misfire.api",
    "diagnose": "misfire.api",
    "evaluate": "misfire.api",
    "open_recording": "misfire.measuring.opening",
    "read_job_card": "misfire.ingest.jobcard",
    "screen": "misfire.api",
    "store_recording": "misfire.diagnosis.chain",
    "train": "misfire.api",
}
_ALIASES = {"store_recording": "ingest"}  # `misfire.ingest` is the package of the readers
_PACKAGES = ("hookup", "simulate")  # packages that have the name of a command

__all__ = [  # noqa: F822 - most come from __getattr__
    "Case",
    "Check",
    "Comparison",
    "Diagnosis",
    "DiagnosisResult",
    "Fault",
    "Hookup",
    "HookupWish",
    "MisfireError",
    "ModelScores",
    "ScreenResult",
    "ScreenSettings",
    "Simulated",
    "__version__",
    "check",
    "compare",
    "confirm",
    "diagnose",
    "evaluate",
    "hookup",
    "open_recording",
    "read_job_card",
    "screen",
    "simulate",
    "store_recording",
    "train",
]


class _CommandPackage(ModuleType):
    """A package that has the name of a command; called, it is the command's function."""

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        """Do what the function of that name in `misfire.api` does."""
        from misfire import api

        return getattr(api, self.__name__.rpartition(".")[2])(*args, **kwargs)


class _Door(ModuleType):
    """What is imported into this package under the name of a command can be called."""

    def __setattr__(self, name: str, value: Any) -> None:
        """Keep a name, as the import of a package in this one does."""
        if name in _PACKAGES and isinstance(value, ModuleType):
            value.__class__ = _CommandPackage
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Door


def __getattr__(name: str) -> Any:
    """Load a public name from the module where it lives (PEP 562)."""
    from importlib import import_module

    if name in _PACKAGES:
        return import_module(f"{__name__}.{name}")
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), _ALIASES.get(name, name))
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return sorted({*globals(), *__all__})
