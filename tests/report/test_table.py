from dataclasses import replace

from misfire.report.diagnosis.table import format_table
from tests.builders.diagnoses import make_diagnosis, make_quiet_diagnosis


def test_verdict_first_then_a_row_for_each_cylinder():
    lines = format_table(make_diagnosis()).splitlines()
    assert lines[0] == "van-017: MISFIRE, cylinder 3 (P0303) very likely (98 %)"
    header = next(i for i, line in enumerate(lines) if line.startswith("rank"))
    rows = [line.split() for line in lines[header + 1 : header + 5]]
    assert [r[:3] for r in rows] == [
        ["1", "3", "P0303"],
        ["2", "1", "P0301"],
        ["3", "4", "P0304"],
        ["4", "2", "P0302"],
    ]
    assert "57 / 4180" in lines[header + 1]
    assert "1.1 to 1.8 %" in "\n".join(lines)  # Wilson interval of 57 in 4180


def test_advice_comes_with_the_caution_and_the_fault_in_plain_words():
    made = make_diagnosis()
    first = replace(made.cylinders[0], next_tests=("Look at the boot.",))
    text = format_table(replace(made, cylinders=(first, *made.cylinders[1:])))
    named = "\nCylinder 3, open or high-resistance secondary circuit (likely):\n"
    assert named in text
    assert text.index(named) < text.index("  next: ") < text.index("maker's procedure")
    assert "maker's procedure" not in format_table(make_quiet_diagnosis())


def test_no_probability_is_rounded_to_certainty():
    made = make_diagnosis()
    sure = replace(made.cylinders[0], probability=0.9999)
    row = format_table(replace(made, cylinders=(sure, *made.cylinders[1:]))).splitlines()[4]
    assert "over 99 %" in row


def test_the_other_verdicts():
    assert "NO MISFIRE FOUND" in format_table(make_quiet_diagnosis())
    open_one = format_table(make_quiet_diagnosis(verdict="inconclusive"))
    assert "INCONCLUSIVE" in open_one
    assert "note: Only the starter current was recorded" in open_one


def test_a_vehicle_name_cannot_steer_the_terminal():
    text = format_table(make_diagnosis(vehicle="\x1b[2Jvan\r\n\x9b31m"))
    assert all(ch.isprintable() for line in text.split("\n") for ch in line)


def test_a_cylinder_without_a_judged_firing():
    diagnosis = make_diagnosis()
    none = replace(diagnosis.cylinders[3], cycles=0, misfires=0, faults=())
    text = format_table(replace(diagnosis, cylinders=(*diagnosis.cylinders[:3], none)))
    assert "0 / 0" in text
