"""Physical model of vehicles: labelled recordings with job card and truth.

`draw_scenario(rng)` or `read_scenario(path)` gives a `Scenario`; `simulate(scenario)` plays it;
`write_recording(recording, folder)` writes it.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from misfire.simulate.draw import draw_scenario as draw_scenario
    from misfire.simulate.recording import SimulatedRecording as SimulatedRecording
    from misfire.simulate.recording import simulate as simulate
    from misfire.simulate.scenario import Scenario as Scenario
    from misfire.simulate.scenario_file import format_scenario as format_scenario
    from misfire.simulate.scenario_file import read_scenario as read_scenario
    from misfire.simulate.writer import write_recording as write_recording

_HOMES = {
    "Scenario": "scenario",
    "SimulatedRecording": "recording",
    "draw_scenario": "draw",
    "format_scenario": "scenario_file",
    "read_scenario": "scenario_file",
    "simulate": "recording",
    "write_recording": "writer",
}

__all__ = [  # noqa: F822 - they come from __getattr__
    "Scenario",
    "SimulatedRecording",
    "draw_scenario",
    "format_scenario",
    "read_scenario",
    "simulate",
    "write_recording",
]


def __getattr__(name: str) -> Any:
    """Load a public name from the module where it lives (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    value = getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    globals()[name] = value
    return value
