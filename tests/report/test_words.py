"""Words for certainty: no stronger than what the shipped model was found to be worth."""

import math
import re
from dataclasses import replace

import pytest

from misfire.learning.modelcard import KIND_TITLE
from misfire.records import Engine
from misfire.report.diagnosis.story import write_headline
from misfire.report.wording import (
    CERTAINTIES,
    KINDS,
    caution_kind,
    describe_certainty,
    describe_kind,
    format_kind,
)
from misfire.resources import find_resource
from tests.builders.diagnoses import make_quiet_diagnosis

ROW = re.compile(r"\| ([\d.]+) to ([\d.]+) \| (\d+) \| ([\d.]+) \| ([\d.]+) \| .* \|")
FEWEST = 20  # cases a word must have been said of to be judged


def read_table(title):
    """Read the rows after a line of the shipped card: from, to, n, mean said, happened."""
    card = (find_resource("models") / "default" / "card.md").read_text(encoding="utf-8")
    if title not in card:
        pytest.skip(f"the shipped model's card has no table {title!r}")
    rows = []
    for line in card[card.index(title) :].splitlines()[4:]:
        if (found := ROW.fullmatch(line)) is None:
            break
        rows.append(tuple(float(x) for x in found.groups()))
    assert rows
    return rows


def count_hits(rows, low, high):
    """Give the cases said between two limits, and in how many of them it was so."""
    inside = [r for r in rows if r[0] >= low - 1e-9 and r[1] <= high + 1e-9]
    return sum(r[2] for r in inside), sum(r[2] * r[4] for r in inside)


def find_upper(n, hits):
    """Give the upper end of Wilson's 95 per cent interval, written out (J. Am. Stat. Assoc. 22)."""
    z, share = 1.96, hits / n
    half = z * math.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    return (share + z**2 / (2 * n) + half) / (1 + z**2 / n)


@pytest.mark.parametrize(("low", "high", "least"), [(0.9, 1.0, 0.9), (0.7, 0.9, 0.66)])
def test_a_word_for_a_cylinder_promises_no_more_than_the_card_says(low, high, least):
    # very likely: 90 % and more, likely: 66 % (IPCC guidance note 2010, from memory)
    assert describe_certainty(low) == next(w for limit, w in CERTAINTIES if limit == least)
    n, hits = count_hits(read_table("Reliability of the cylinders' probabilities:"), low, high)
    assert n >= FEWEST
    assert find_upper(n, hits) >= least


@pytest.mark.parametrize("place", [0])
def test_a_word_for_a_kind_of_fault_promises_no_more_than_the_card_says(place):
    low, least, _ = KINDS[place]
    high = 1.0 if place == 0 else KINDS[place - 1][0]
    n, hits = count_hits(read_table(KIND_TITLE), low, high)
    assert n >= FEWEST
    assert find_upper(n, hits) >= least  # as of cylinders: no more than chance allows


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (1.0, "very likely"),
        (0.9, "very likely"),
        (0.8999, "likely"),
        (0.66, "likely"),
        (0.65, "more likely than not"),
        (0.5, "more likely than not"),
        (0.4999, "possible"),
        (0.01, "unlikely"),
        (0.0, "unlikely"),
        (float("nan"), "not known"),
    ],
)
def test_certainty_in_words(probability, words):
    assert describe_certainty(probability) == words


@pytest.mark.parametrize(
    ("share", "words", "number"),
    [
        (1.0, "likely", "over 80 %"),
        (0.9, "likely", "over 80 %"),
        (0.8, "likely", "over 80 %"),
        (0.79, "possible", "79 %"),
        (0.1, "possible", "10 %"),
        (float("nan"), "not known", "–"),
    ],
)
def test_a_kind_of_fault_in_words_and_number(share, words, number):
    assert describe_kind(share) == words
    assert format_kind(share) == number


def test_a_kind_is_never_called_surer_than_a_cylinder():
    order = [words for _, words in CERTAINTIES]
    for k in range(101):
        assert order.index(describe_kind(k / 100)) >= order.index(describe_certainty(k / 100)) or (
            describe_kind(k / 100) == "possible"
        )


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (
            {"simulated_vehicles": 9, "confirmed_cases": 0},
            "on simulated faults only, not on real vehicles",
        ),
        ({"simulated_vehicles": 9, "confirmed_cases": 1}, "9 simulated vehicles and 1 confirmed"),
        ({"simulated_vehicles": 0, "confirmed_cases": 40}, "checked with 40 confirmed cases."),
        ({"model": "physics scores"}, "on no confirmed cases"),
    ],
)
def test_the_caution_says_what_the_kind_was_tried_on(settings, words):
    assert words in caution_kind(settings)


@pytest.mark.parametrize(
    ("ignition", "ailing", "words"),
    [
        ("wasted_spark", {2, 3}, "Cylinder 2 or 3 has"),
        ("wasted_spark", {1, 2, 3}, "Cylinders 1 and 2 or 3 have"),
        ("coil_on_plug", {2, 3}, "Cylinders 2 and 3 have"),
    ],
)
def test_two_plugs_of_one_coil_are_named_as_one_or_the_other(ignition, ailing, words):
    """In series, the bad spark of one plug is that of both (common practice)."""
    made = make_quiet_diagnosis()
    engine = Engine(4, (1, 3, 4, 2), ignition)
    states = {True: "ailing", False: "sound"}
    made = replace(
        made,
        job=replace(made.job, engine=engine),
        cylinders=tuple(replace(c, state=states[c.cylinder in ailing]) for c in made.cylinders),
    )
    assert write_headline(made) == f"{words} a bad spark; no misfire yet."
