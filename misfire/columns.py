"""Names of the feature columns that pass from features to classify, in order."""

RATIO_FIELDS = (
    "dwell_ms",
    "peak_current_a",
    "ramp_a_per_ms",
    "ramp_bend",
    "ramp_ring_a",
    "primary_peak_v",
    "firing_v",
    "breakdown_us",
    "burn_time_ms",
    "burn_level_v",
    "ring_v",
)
DIFFERENCE_FIELDS = ("ramp_step_a", "burn_slope_v_per_ms")

TORQUE_COLUMNS = (
    "torque_deficit_z",
    "torque_own_z",
    "torque_step_z",
    "gain_deficit_z",
    "gain_own_z",
    "approach_z",
    "torque_deficit_energy",
    "gain_deficit_energy",
    "torque_deficit_relative",
    "gain_deficit_relative",
    "torque_level_relative",
    "torque_level_change",
    "torque_noise_relative",
    "torque_mate_z",
    "torque_lack",  # in combustions of the recording's own kind, and its standard deviation
    "torque_lack_sigma",
    "torque_unit_sigma",  # relative error of that unit, alike for all firings
    "torque_unit_relative",  # that unit in parts of omega^2/2
)
SPARK_COLUMNS = (
    "no_breakdown",
    "no_dwell",
    *(f"{n}_{k}" for n in (*RATIO_FIELDS, *DIFFERENCE_FIELDS) for k in ("own", "others")),
)
FORM_COLUMNS = (
    "form_step",  # share of the peak current with which the ramp starts
    "form_bend",  # slope of the upper half of the ramp over that of the lower
    "form_kick",  # logs of ratios to the supply voltage: kick, spark line, ring-down
    "form_burn_level",
    "form_ring",
    "form_efficiency",  # log of spark-line energy over stored energy
    "form_recharged",  # 1: the next charge ended the spark, which would have burned longer
    "form_burn_ms",  # logs of absolute values
    "form_breakdown_us",
    "form_dwell_ms",
    "form_peak_a",
    "form_slope",
    "form_ring_on",  # ringing at switch-on over peak current
    "form_tail",  # current after switch-off over peak current
    "form_firing",  # log of the firing voltage over the supply, and its standard error
    "form_firing_error",
    "form_pickup",  # the same by a pick-up, over the cylinder's median: its units are its own
    "form_pickup_error",
    "form_pickup_level",  # log of its spark line over the cylinder's median
    "form_leaks",  # 1: the kick decayed through a load, 0: it did not
)
"""What one stroke shows by itself, where no other cylinder is there to compare with."""
SUPPLY_COLUMNS = (
    "injector_missing",  # 1: no pulse although the cylinder is fed, else 0
    "injector_failed",  # 1: none, a short one or one without a kick, else 0
)
CONTEXT_COLUMNS = ("speed_rpm", "speed_change_relative", "cylinders")
FIRING_COLUMNS = (*TORQUE_COLUMNS, *SPARK_COLUMNS, *FORM_COLUMNS, *SUPPLY_COLUMNS, *CONTEXT_COLUMNS)
"""Order of the event model's inputs. Change `FEATURES_VERSION` with any change of meaning."""

FEATURES_VERSION = 11

EVENT_INPUTS = {
    # Input of the event model -> sign of its effect that physics demands, 0 where it demands none.
    "torque_deficit_z": 1,
    "torque_step_z": 1,
    "gain_deficit_z": 1,
    "torque_deficit_relative": 1,
    "gain_deficit_relative": 1,
    "torque_noise_relative": -1,
    "injector_missing": 1,
    "torque_mate_z": -1,
    "torque_level_change": 1,
    "no_breakdown": 1,
    "no_dwell": 1,
    "burn_time_ms_own": -1,
    "burn_time_ms_others": -1,
    "speed_rpm": 0,
    "cylinders": 0,
}
"""Few inputs that mean the same on any engine: what a fit cannot bend, it cannot learn wrong."""

CYLINDER_INPUTS = {
    "lost_share": 1,
    "outstanding_surprise": 1,
    "lost_probability_mean": 1,
    "lost_share_others": 0,
    "lost_run_length": 0,
    "disturbed_share": -1,
    "torque_median_z": 1,
    "torque_tail_z": 1,
    "torque_median_relative": 1,
    "gain_median_z": 1,
    "cranking_gain_z": 1,
    "torque_lost_z": 1,
    "torque_rank": -1,
    "no_breakdown_share": 1,
    "no_breakdown_lost_share": 1,
    "no_dwell_share": 1,
    "no_dwell_lost_share": 1,
    "firings_log": 0,
    "speed_rpm": 0,
    "cylinders": 0,
}
"""Inputs of the cylinder model and the sign that physics demands of each."""

CYLINDER_COLUMNS = (*CYLINDER_INPUTS, "torque_median_energy")
"""Of the table of cylinders: the ensemble's inputs, and what the physics score needs beside."""
