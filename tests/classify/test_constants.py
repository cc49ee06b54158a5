"""Constants that a model was fitted with: found as Python itself reads them, whatever stands by."""

import ast

import pytest

from misfire.classify.bundle import FITTED_WITH
from misfire.resources import _find_sources, find_constants, hash_constants


def list_by_syntax(source):
    """List top-level assignments to upper-case names by Python's own parser."""
    found = []
    for node in ast.parse(source).body:
        if isinstance(node, ast.Assign | ast.AnnAssign | ast.AugAssign):
            target = node.targets[0] if isinstance(node, ast.Assign) else node.target
            names = target.elts if isinstance(target, ast.Tuple) else [target]
            if all(isinstance(n, ast.Name) and n.id.isupper() for n in names):
                found.append(ast.dump(node))
    return found


@pytest.mark.parametrize(
    "path", [p for _, p in _find_sources(FITTED_WITH)], ids=lambda p: f"{p.parent.name}-{p.stem}"
)
def test_as_the_parser_finds_them(path):
    source = path.read_text(encoding="utf-8")
    found = [ast.dump(ast.parse(c).body[0]) for c in find_constants(source)]
    assert found == list_by_syntax(source)


PLAIN = """LIMIT = 2.5
TABLE = {"a": (1, 2), "b # no comment": (3,)}
A, B = 1, 2
"""


@pytest.mark.parametrize(
    "same",
    [
        PLAIN.replace("2.5", "2.5  # volts, see [5]"),
        PLAIN.replace(' (1, 2), "b', '\n    (1, 2),  # why (\n    "b'),
        PLAIN.replace("(3,)}", "(3,),\n}"),
        PLAIN.replace("A, B", '"""What A and B are."""\nother = 7\n\n\ndef f():\n    C = 1\nA, B'),
    ],
    ids=["comment", "other lines", "comma for looks", "code and text"],
)
def test_what_does_not_count(same):
    assert same != PLAIN
    assert find_constants(same) == find_constants(PLAIN)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("2.5", "2.6"),
        ("LIMIT", "LIMITS"),
        ("b # no", "b # a"),
        ("A, B", "B, A"),
        ("(3,)", "(3, 0)"),
    ],
)
def test_what_counts(old, new):
    assert find_constants(PLAIN.replace(old, new)) != find_constants(PLAIN)


def test_rooms_that_are_gone():
    with pytest.raises(FileNotFoundError):
        hash_constants(("no_such_room",))
