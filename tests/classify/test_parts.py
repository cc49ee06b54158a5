"""Tables judged part by part, against judging them whole."""

import numpy as np
import pandas as pd
from numpy.testing import assert_array_equal

from misfire.classify import parts
from misfire.classify.parts import judge_in_parts


def test_parts_give_what_the_whole_gives(monkeypatch):
    table = pd.DataFrame({"a": np.arange(23.0), "b": np.arange(23.0)[::-1] ** 2})
    seen = []

    def judge(part):
        seen.append(len(part))
        return np.sqrt(part["a"].to_numpy() + part["b"].to_numpy())

    monkeypatch.setattr(parts, "PART_ROWS", 5)
    assert_array_equal(judge_in_parts(judge, table), np.sqrt(table["a"] + table["b"]))
    assert seen == [5, 5, 5, 5, 3]
    assert judge_in_parts(judge, table[:0]).size == 0
