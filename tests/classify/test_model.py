"""What stands around the learned ensembles: candidates, and coils that kept their energy."""

import numpy as np
import pandas as pd
import pytest

from misfire.classify.model import find_candidates, find_unloaded
from misfire.columns import FIRING_COLUMNS

N = 200


def make_firings(z: np.ndarray) -> pd.DataFrame:
    table = pd.DataFrame(np.nan, index=range(z.size), columns=list(FIRING_COLUMNS))
    table["torque_deficit_z"] = z
    table["torque_step_z"] = z
    table["torque_deficit_energy"] = 500.0
    return table


class TestUnloaded:
    """Where nothing took the energy there was no spark (energy of a coil, ANCHORS C1)."""

    def make(self, *, torque: float, kick: float, ring: float) -> pd.DataFrame:
        table = make_firings(np.full(N, torque))
        table["no_breakdown"] = 1.0
        table["breakdown_us_own"], table["ring_v_own"] = kick, ring
        return table

    def test_is_lost(self):
        assert find_unloaded(self.make(torque=np.nan, kick=1.9, ring=1.9)).all()

    @pytest.mark.parametrize(
        ("torque", "kick", "ring"),
        [(0.0, 1.9, 1.9), (np.nan, 0.0, 1.9), (np.nan, 1.9, 0.0), (np.nan, np.nan, np.nan)],
    )
    def test_is_not_sure(self, torque, kick, ring):
        # torque is heard first; a line that the channel cannot show leaves kick and ringing alone
        assert not find_unloaded(self.make(torque=torque, kick=kick, ring=ring)).any()


def test_candidates():
    z = np.array([0.0, 1.4, 1.6, np.nan])
    assert find_candidates(make_firings(z)).tolist() == [False, False, True, False]
    table = make_firings(np.zeros(2))
    table["no_breakdown"] = [0.0, 1.0]
    assert find_candidates(table).tolist() == [False, True]
