"""No sentence of a diagnosis against another: recordings of another model, and drawn ones."""

import copy
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import pytest

from tests.builders.contradictions import find_contradictions, read_text
from tests.builders.diagnoses import make_diagnosis, make_quiet_diagnosis

CASES = Path(__file__).resolve().parents[3] / "shared" / "cases"
NAMES = sorted(p.parent.name for p in CASES.glob("*/job.toml"))
N_DRAWN = int(os.environ.get("MISFIRE_DRAWN", "4"))
FIRST_SEED = 20_000  # none that training draws


def read_diagnosis(diagnosis):
    """Give the document of a diagnosis, and what people read of it."""
    from misfire.report.diagnosis.page import format_page
    from misfire.report.diagnosis.table import format_table
    from misfire.report.summary import build_summary

    page = read_text(format_page(diagnosis))
    return build_summary(diagnosis), page, format_table(diagnosis)


def _diagnose_case(name):
    """Diagnose a labelled recording and look for contradictions."""
    from misfire.diagnosis.chain import diagnose

    return find_contradictions(*read_diagnosis(diagnose(CASES / name / "job.toml")))


def _diagnose_drawn(seed, folder):
    """Draw a recording, diagnose it and look for contradictions."""
    import numpy as np

    from misfire.diagnosis.chain import diagnose
    from misfire.simulate.draw import draw_scenario
    from misfire.simulate.recording import simulate
    from misfire.simulate.writer import write_recording

    scenario = draw_scenario(np.random.default_rng(seed), healthy_share=0.35)
    target = Path(folder) / str(seed)
    write_recording(simulate(scenario), target)
    return find_contradictions(*read_diagnosis(diagnose(target / "job.toml")))


@pytest.fixture(scope="module")
def pool():
    """Give two worker processes."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as workers:
        yield workers


@pytest.mark.skipif(not NAMES, reason="the labelled cases are not beside the project")
def test_labelled_recordings_are_not_contradicted(pool):
    found = dict(zip(NAMES, pool.map(_diagnose_case, NAMES), strict=True))
    assert {name: said for name, said in found.items() if said} == {}


def test_drawn_recordings_are_not_contradicted(pool, tmp_path):
    seeds = range(FIRST_SEED, FIRST_SEED + N_DRAWN)
    found = dict(zip(seeds, pool.map(_diagnose_drawn, seeds, [tmp_path] * N_DRAWN), strict=True))
    assert {seed: said for seed, said in found.items() if said} == {}


@pytest.fixture(scope="module")
def accused():
    """The document of a sound accusation."""
    made = make_diagnosis()
    states = tuple(
        replace(c, state="failing" if c.probability >= 0.5 else "sound") for c in made.cylinders
    )
    result, *texts = read_diagnosis(replace(made, cylinders=states))
    assert find_contradictions(result, *texts) == []
    return result


@pytest.fixture(scope="module")
def quiet():
    """The document of a sound all-clear."""
    result, *texts = read_diagnosis(make_quiet_diagnosis())
    assert find_contradictions(result, *texts) == []
    return result


class TestFindContradictions:
    """The finder finds: each contradiction, planted in a sound document, is named."""

    @pytest.mark.parametrize(
        ("change", "words"),
        [
            ({"verdict": "no_misfire"}, "no_misfire, and a cylinder"),
            ({"verdict": "inconclusive"}, "inconclusive, and a cylinder"),
            ({"notes": ["no lost combustion in 300 cycles"]}, "judged lost"),
            ({"notes": ["a fault rarer than one in 62 firings"]}, "odds of a missed fault"),
        ],
    )
    def test_in_an_accusation(self, accused, change, words):
        assert any(words in said for said in find_contradictions(accused | change))

    @pytest.mark.parametrize(
        ("kind", "evidence", "words"),
        [
            ("mixture", "no breakdown: no spark line after 57 switch-offs", "no spark line"),
            ("weak_coil", "the coil was not switched at all in 50 firings", "not switched"),
            ("no_primary", "burn time 0.6 ms", "without a coil that is not switched"),
            ("open_secondary", "the injector failed in 57 of 57 lost firings", "injector"),
        ],
    )
    def test_a_kind_above_other_evidence(self, accused, kind, evidence, words):
        spoiled = copy.deepcopy(accused)
        first = spoiled["cylinders"][0]
        first["faults"] = [{"type": kind, "probability": 0.9}]
        first["evidence"] = [evidence]
        assert any(words in said for said in find_contradictions(spoiled))

    def test_a_sound_cylinder_in_doubt(self, accused):
        spoiled = copy.deepcopy(accused)
        spoiled["cylinders"][1] |= {"probability": 0.45, "state": "sound"}
        assert any("is sound with" in said for said in find_contradictions(spoiled))

    def test_two_numbers_for_one_thing(self, quiet):
        spoiled = quiet | {"notes": ["rarer than one in 62 firings", "fewer than 1 in 63"]}
        assert any("['62', '63']" in said for said in find_contradictions(spoiled))

    def test_a_misfire_of_nobody(self, quiet):
        assert any(
            "no cylinder above" in said
            for said in find_contradictions(quiet | {"verdict": "misfire"})
        )

    def test_the_spark_s_witness_against_the_kind(self, accused):
        spoiled = copy.deepcopy(accused)
        spoiled["cylinders"][0]["faults"] = [{"type": "weak_coil", "probability": 0.9}]
        said = "Cylinder 3. Measured Result Values Spark as usual dwell"
        assert any("spark is as usual" in s for s in find_contradictions(spoiled, said))
