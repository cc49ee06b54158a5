from misfire.simulate.scenario import Scenario
def draw_scenario(rng): return Scenario()
