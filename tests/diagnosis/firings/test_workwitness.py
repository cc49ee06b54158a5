"""What the torque says of each firing's work, beside closed forms."""

import numpy as np
import pandas as pd
import pytest

from misfire.columns import FIRING_COLUMNS
from misfire.diagnosis.firings.workwitness import weigh_work


def make_table(lack, sigma):
    table = pd.DataFrame(np.nan, index=range(lack.size), columns=list(FIRING_COLUMNS))
    table["torque_lack"], table["torque_lack_sigma"] = lack, sigma
    table["torque_unit_sigma"], table["torque_unit_relative"] = 0.23, 0.05
    table["torque_level_change"] = 0.0
    return table


class TestFewFirings:
    """One cylinder, half a second: the losses are a good part of all that is known."""

    @pytest.mark.parametrize("lost", [1, 2])
    def test_single_losses_outstand_a_calm_dozen(self, lost):
        rng = np.random.default_rng(lost)
        lack = np.append(rng.normal(0.0, 0.14, 12), np.full(lost, 0.85))
        weighed, cut = weigh_work(
            make_table(lack, 0.15), np.ones(lack.size, int), faulty=np.full(1, 0.3)
        )
        assert not cut.any()
        told = weighed[:, 2] - weighed[:, 0]
        assert told[-lost:].min() > np.log(30.0)
        assert told[:-lost].max() < 0.0

    def test_a_cycle_that_lacks_a_third_is_no_loss(self):
        lack = np.append(np.linspace(-0.2, 0.2, 12), 0.33)
        weighed, _ = weigh_work(make_table(lack, 0.13), np.ones(13, int), faulty=np.full(1, 0.3))
        assert weighed[-1, 2] - weighed[-1, 0] < np.log(30.0)
