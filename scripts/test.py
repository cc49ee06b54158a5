"""Set up the project and run every check: python3 scripts/test.py [--quick] [pytest's arguments].

The full run shares the test files among the processors. With --quick only what takes less than a
minute in all: format, lint, types, and the tests of the rooms that need no browser, no simulated
recording, no planted fault and no fuzzing.

With --lowest the tests run in an environment of its own (.venv-lowest) that holds the least version
of each library that pyproject.toml allows; format, lint and types are left out there.
"""

import subprocess
import sys

from environment import ROOT, prepare, prepare_lowest

CHECKS = (
    ("ruff", "format", "--check", "."),
    ("ruff", "check", "."),
    ("mypy",),
)
QUICK = (  # some 40 s of one processor, format, lint and types included
    *("tests/architecture/test_imports.py", "tests/architecture/test_caches.py"),
    *("tests/dsp", "tests/events", "tests/cycles", "tests/features", "tests/classify"),
    "tests/hookup",
)
SLOW = (  # two thirds of those rooms' time, more than 5 s of one processor each
    *("events/test_firingline", "events/test_secondary", "events/test_coil_netlist"),
    *("features/test_torque", "features/test_combustion"),
    *("cycles/test_wheel", "classify/test_rules"),
)


def main() -> int:
    """Run format, lint, types and tests; all must pass. The last line is pytest's summary."""
    arguments = sys.argv[1:]
    lowest, quick = "--lowest" in arguments, "--quick" in arguments
    arguments = [a for a in arguments if a not in ("--lowest", "--quick")]
    if quick:
        slow = (f"--ignore=tests/{name}.py" for name in SLOW)
        arguments = ["-q", *QUICK, *slow, *arguments]
    if not arguments:
        arguments = ["-n", "auto", "--dist", "loadfile"]  # a file's fixtures are made once
    python = prepare_lowest() if lowest else prepare("test")
    failed = []
    for check in () if lowest else CHECKS:
        print("$", *check, flush=True)
        if subprocess.run([python, "-m", *check], cwd=ROOT, check=False).returncode:
            failed.append(" ".join(check))
    print("$ pytest", *arguments, flush=True)
    command = [python, "-m", "pytest", *arguments]
    last = ""
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as pytest:
        for line in pytest.stdout or ():
            print(line, end="", flush=True)
            last = line.strip() or last
    if pytest.returncode:
        failed.append("pytest")
    if failed:
        print("FAILED:", ", ".join(failed))
        print(last)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
