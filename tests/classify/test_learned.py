"""What confirmed cases taught, there and back; numbers beyond reason are refused."""

import json

import pytest

from misfire.classify.learned import LOOKS, NOTHING, Leaning, Learned, read_learned, write_learned
from misfire.errors import ModelError

LEANINGS = {look: Leaning(0.1, {"mixture": 0.2}) for look in LOOKS}
LEARNED = Learned({"mixture": 0.5}, {"firings": 0.9}, {"form_burn_ms": (0.1, 0.5)}, 7, LEANINGS)


@pytest.mark.parametrize("learned", [NOTHING, LEARNED])
def test_there_and_back(learned):
    assert read_learned(write_learned(learned)) == learned


@pytest.mark.parametrize(
    ("part", "value"),
    [
        ("kind_odds", {"mixture": 1e9}),
        ("kind_odds", {"mixture": "much"}),
        ("kind_odds", [1.0]),
        ("kind_odds", {str(i): 0.0 for i in range(65)}),
        ("trust", {"firings": -1.0}),
        ("trust", {"firings": True}),
        ("usual", {"form_burn_ms": [0.1]}),
        ("usual", {"form_burn_ms": [0.1, 0.0]}),
        ("leanings", {"spark usual": {"usual": 0.1, "towards": {}}}),
        ("leanings", dict.fromkeys(LOOKS, {"usual": 0.1, "towards": {"mixture": 1e9}})),
        ("leanings", dict.fromkeys(LOOKS, {"usual": 0.1, "towards": [1.0]})),
        ("leanings", dict.fromkeys(LOOKS, {"usual": 0.1})),
        ("leanings", dict.fromkeys(LOOKS, [0.1])),
        ("n_cases", -1),
        ("n_cases", 1.5),
    ],
)
def test_what_no_training_gives_is_refused(part, value):
    told = json.loads(write_learned(LEARNED)) | {part: value}
    with pytest.raises(ModelError, match="what it learned cannot be read"):
        read_learned(json.dumps(told).encode())


def test_a_text_from_before_looks_has_none():
    told = json.loads(write_learned(LEARNED))
    del told["leanings"]
    assert read_learned(json.dumps(told).encode()).leanings == {}


@pytest.mark.parametrize("data", [b"", b"{}", b"[]", b"\xff", b'{"kind_odds": {"a": NaN}}'])
def test_no_such_text(data):
    with pytest.raises(ModelError, match="what it learned cannot be read"):
        read_learned(data)
