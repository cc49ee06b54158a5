"""An engine with nothing to compare a cylinder with: the whole line down to the page."""

import json

import pytest

from misfire.diagnosis.chain import diagnose
from misfire.report.diagnosis.files import write_reports
from misfire.simulate import simulate
from misfire.simulate.scenario import ChannelModel, EngineModel, FaultModel, Scenario
from misfire.simulate.writer import write_recording


@pytest.mark.parametrize("rate", [0.0, 0.06])
def test_single_cylinder(rate, tmp_path):
    faults = (FaultModel(type="mixture", cylinder=1, rate=rate, pattern="random"),) if rate else ()
    scenario = Scenario(
        seed=3,
        duration_s=25.0,
        engine=EngineModel(
            cylinders=1,
            firing_order=(1,),
            displacement_l=0.4,
            inertia_kgm2=0.12,
            piston_kg=0.4,
            idle_rpm=1200.0,
        ),
        channel=(
            ChannelModel(role="crank", name="crank", range=50.0),
            ChannelModel(role="coil_primary", name="coil", cylinders=(1,)),
        ),
        fault=faults,
    )
    job = write_recording(simulate(scenario), tmp_path / "in", fmt="wav")
    write_reports(diagnose(job), tmp_path / "out")
    result = json.loads((tmp_path / "out" / "result.json").read_text("utf-8"))
    assert [c["cylinder"] for c in result["cylinders"]] == [1]
    assert "<svg" in (tmp_path / "out" / "report.html").read_text("utf-8")
    if not rate:
        assert result["verdict"] != "misfire"
