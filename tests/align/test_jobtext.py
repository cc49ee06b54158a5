"""Job cards as they stand in a recording: what no card could have held is refused."""

import json
from dataclasses import asdict
from pathlib import Path

import pytest

from misfire.align.jobtext import format_job, parse_job
from misfire.records import CrankWheel
from tests.builders.diagnoses import make_job


@pytest.mark.parametrize("gaps", [[[]], [[5], []], [[7, 9]], [[9], [5]], [[0]], [[61]]])
def test_gaps_that_are_none(gaps):
    job = json.loads(format_job(make_job()))
    job["wheel"] = asdict(CrankWheel(60, ((59, 60),))) | {"gaps": gaps}
    with pytest.raises(ValueError, match="gaps"):
        parse_job(json.dumps(job), folder=Path(), text="")
