"""Job cards that leave out tdc_deg, the wheel or the channels' cylinders: never a wrong answer.

The truth is that of the labelled cases or of the simulator; a cylinder is answered wrongly if one
is named with certainty that is not at fault.
"""

import gzip
import json
from pathlib import Path
from typing import Any

import pytest

from misfire.diagnosis.chain import diagnose
from tests.builders.vehicles import LEFT_OUT, leave_out, make_vehicle

CASES = Path(__file__).resolve().parents[3] / "shared" / "cases"
NAMES = sorted(p.parent.name for p in CASES.glob("*/job.toml"))
SURE = 0.8  # the shared cases' own limit: neither of a pair above it


def read_truth(name):
    plain = CASES / name / "truth.json"
    if plain.exists():
        return json.loads(plain.read_text())
    return json.loads(gzip.decompress((CASES / name / "truth.json.gz").read_bytes()))


def diagnose_without(job, what, folder):
    """Diagnose a copy of a case whose card leaves something out; None if it was not there."""
    text = leave_out(job.read_text(), what)
    if text is None:
        return None
    for path in job.parent.iterdir():
        if path.name != "job.toml" and not path.name.startswith("truth"):
            (folder / path.name).symlink_to(path.resolve())
    (folder / "job.toml").write_text(text)
    return diagnose(folder / "job.toml", allow_outside=True)


def name_kind(result, truth):
    """Tell an answer: "right", "open" (inconclusive, or shared by several) or "wrong"."""
    faulty = {f["cylinder"] for f in truth["faulty"] if f["type"] != "crank_signal"}
    first, *rest = result.cylinders
    if result.verdict == "inconclusive":
        return "open"
    if result.verdict == "no_misfire" or not faulty:
        return "right" if result.verdict in truth["accept"] else "wrong"
    shared = [c for c in rest if c.probability >= 0.9 * first.probability]
    if shared and first.probability <= SURE and faulty & {c.cylinder for c in (first, *shared)}:
        return "open"
    right = first.cylinder in faulty
    return "right" if right and "misfire" in truth["accept"] else "wrong"


@pytest.mark.skipif(not NAMES, reason="the labelled cases are not beside the project")
@pytest.mark.parametrize("what", LEFT_OUT)
@pytest.mark.parametrize("name", NAMES)
def test_shared_case(name, what, tmp_path):
    result = diagnose_without(CASES / name / "job.toml", what, tmp_path)
    if result is None:
        pytest.skip("this card does not hold what is to be left out")
    truth = read_truth(name)
    kind = name_kind(result, truth)
    assert kind != "wrong"
    # The primary of a named cylinder or a named pick-up tells TDC; its sensor kind the signal.
    if what in ("tdc", "wheel", "sensor") and truth["verdict"] != "inconclusive":
        assert kind == "right"
    # tdc_deg alone names every spark where no two cylinders are 360 degrees apart.
    if what == "cylinders" and name in ("o03", "o09"):
        assert kind == "right"


# Engines, their hook-up and, for each thing left out, what can still be told. A spark belongs to
# the cylinder at whose TDC it comes: given tdc_deg, cylinders 360 degrees apart (or as many as the
# pattern repeats) stay open unless one coil, lead or cam is named.
ONE = ("coil_primary", (1,))
FEED = ("coil_current", ())
CRANK = ("crank", ())
ENGINES: dict[str, dict[str, Any]] = {
    "three": {"order": (1, 3, 2), "channels": (ONE, CRANK, FEED)},
    "four": {"channels": (ONE, CRANK, FEED)},
    "five": {"order": (1, 2, 4, 5, 3), "channels": (ONE, CRANK, FEED)},
    "odd six": {
        "order": (1, 6, 5, 4, 3, 2),
        "angles": (0.0, 90.0, 240.0, 330.0, 480.0, 570.0),
        "channels": (ONE, CRANK, FEED),
    },
    "odd two": {"order": (1, 2), "angles": (0.0, 270.0), "channels": (ONE, CRANK)},
    "eight": {
        "order": (1, 8, 4, 3, 6, 5, 7, 2),
        "channels": (ONE, CRANK, FEED),
    },
    "four pairs of sparks": {
        "ignition": "wasted_spark",
        "channels": (
            ("coil_primary", (1, 4)),
            ("coil_primary", (2, 3)),
            CRANK,
            ("coil_secondary", (1,)),
        ),
    },
    "four with distributor": {
        "ignition": "distributor",
        "channels": (("coil_primary", ()), CRANK, ("coil_secondary", (1,))),
    },
}
# Three gaps alike: where the turn begins cannot be told from the wheel, the sparks tell it.
ALIKE = {"positions": 36, "gaps": ((11, 12), (23, 24), (35, 36))}
ENGINES["six, gaps alike"] = {
    "order": (1, 5, 3, 6, 2, 4),
    "channels": (ONE, CRANK, FEED),
    "wheel": ALIKE,
}
ENGINES["four, gaps alike"] = {"channels": (ONE, CRANK, FEED), "wheel": ALIKE}
# A ring without a gap: any tooth may be the first; how many there are is counted between sparks.
ENGINES["four, plain ring"] = {
    "channels": (ONE, CRANK, FEED),
    "wheel": {"positions": 90, "gaps": ()},
}
STILL_TOLD = {
    # engine -> kinds of answers allowed with the cylinders of the channels left out
    "three": {"right"},
    "five": {"right"},
    "odd two": {"right"},  # 270 and 450 degrees apart: the other revolution does not fit
    "odd six": {"right"},  # neither do the places of six uneven firings
}


@pytest.fixture(scope="module")
def vehicles(tmp_path_factory):
    """One cylinder, never the first, loses its fuel now and then."""
    made = {}
    for number, (name, spec) in enumerate(ENGINES.items()):
        folder = tmp_path_factory.mktemp(f"vehicle{number}")
        order = spec.get("order", (1, 3, 4, 2))
        fault = {"type": "mixture", "cylinder": order[1], "rate": 0.15, "pattern": "random"}
        made[name] = make_vehicle(folder, faults=(fault,), seed=5_000_100 + number, **spec)
    return made


@pytest.mark.parametrize("what", LEFT_OUT)
@pytest.mark.parametrize("name", ENGINES)
def test_simulated_vehicle(vehicles, name, what, tmp_path):
    job, truth = vehicles[name]
    assert truth["verdict"] == "misfire"
    result = diagnose_without(job, what, tmp_path)
    assert result is not None
    kind = name_kind(result, truth)
    assert kind != "wrong"
    if what in ("tdc", "wheel", "sensor"):
        assert kind == "right"
    if what == "cylinders" and name in STILL_TOLD:
        assert kind in STILL_TOLD[name]
    if what in ("tdc+cylinders", "wheel+cylinders") and name != "odd two":
        assert kind == "open"  # nothing names a cylinder: naming one would be luck
        assert {
            c for c, p in ((c.cylinder, c.probability) for c in result.cylinders) if p > SURE
        } == set()
