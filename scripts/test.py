"""Set up the project and run every check: python3 scripts/test.py [pytest's arguments]."""

import subprocess
import sys

from environment import ROOT, prepare

CHECKS = (
    ("ruff", "format", "--check", "."),
    ("ruff", "check", "."),
    ("mypy",),
)


def main() -> int:
    """Run format, lint, types and tests; all must pass. The last line is pytest's summary."""
    python = prepare("test")
    failed = []
    for check in CHECKS:
        print("$", *check, flush=True)
        if subprocess.run([python, "-m", *check], cwd=ROOT, check=False).returncode:
            failed.append(" ".join(check))
    print("$ pytest", *sys.argv[1:], flush=True)
    command = [python, "-m", "pytest", *sys.argv[1:]]
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
