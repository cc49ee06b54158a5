"""A short pass of fuzzing: every input ends in a result or one MisfireError."""

import random
import warnings

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from misfire.errors import MisfireError
from misfire.ingest.jobcard import parse_job_card
from tests.fuzz.mutation import mutate
from tests.fuzz.resealing import reseal
from tests.fuzz.targets import TARGETS, execute, gather_seeds

N_MUTATED = 60
NAMES = sorted(TARGETS)
ANY_INPUT = ("numbers", "text layout")  # nothing is refused there


@pytest.mark.parametrize("name", NAMES)
def test_seeds_and_mutations(name, tmp_path):
    target = TARGETS[name]
    if target.needs:
        pytest.importorskip(target.needs)
    seeds = gather_seeds(target)
    rng = random.Random(f"{name} 1")
    inputs = [*seeds, b"", *(mutate(seeds, target.tokens, rng) for _ in range(N_MUTATED))]
    results = 0
    for data in inputs:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            warnings.simplefilter("ignore", DeprecationWarning)  # of the libraries
            results += execute(target, data, tmp_path)
    assert results > 0  # the seeds at least are used: the target does its work
    assert results < len(inputs) or name in ANY_INPUT


def test_checksums_are_made_right_again(tmp_path):
    """Against those that the HDF5 library wrote."""
    seeds = TARGETS["forged recording"].seeds(tmp_path)
    assert [reseal(seed) for seed in seeds] == seeds
    good = next(seed for seed in seeds if b"FAHD" in seed)  # of two chunks
    for mark, at in ((b"OHDR", 40), (b"OCHK", 8), (b"FRHP", 20), (b"BTHD", 12), (b"FAHD", 8)):
        data = bytearray(good)
        data[good.index(mark) + at] ^= 4
        changed = [
            i for i, (a, b) in enumerate(zip(reseal(bytes(data)), data, strict=True)) if a != b
        ]
        assert 0 < len(changed) <= 12  # one checksum or a few, of four bytes each


_LEAVES = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20)
_TREES = st.recursive(
    _LEAVES,
    lambda part: st.lists(part, max_size=4) | st.dictionaries(st.text(), part, max_size=4),
    max_leaves=20,
)  # fmt: skip


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    key=st.sampled_from(("role", "file", "column", "cylinders", "scale", "rate_hz")), value=_TREES
)
def test_any_value_in_any_field_of_a_channel(key, value, tmp_path_factory):
    fields = {"role": '"crank"', "file": '"a.wav"', "column": "0", key: _write_toml(value)}
    body = "\n".join(f"{name} = {text}" for name, text in fields.items())
    card = f'vehicle.id = "v"\n[engine]\ncylinders = 1\nfiring_order = [1]\nignition = "coil_on_plug"\n[[channel]]\n{body}\n'  # noqa: E501
    folder = tmp_path_factory.getbasetemp()
    job, message = None, ""
    try:
        job = parse_job_card(card, folder=folder, source="job.toml")
    except MisfireError as error:
        message = str(error)
    if job is None:
        assert message.startswith("job.toml")
    else:
        assert job.channels[0].rate_hz is None or job.channels[0].rate_hz > 0


def _write_toml(value):
    """Write a value as TOML, near enough: what TOML does not have is a case as well."""
    if isinstance(value, dict):
        pairs = ", ".join(f"{_write_toml(k)} = {_write_toml(v)}" for k, v in value.items())
        return "{" + pairs + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_write_toml, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return repr(value)
