"""Set up the project and run its main job on the bundled recording: python3 scripts/demo.py."""

import subprocess
import sys

from environment import ROOT, prepare


def main() -> int:
    """Run `misfire demo` in the project's own environment."""
    python = prepare()
    out = ROOT / "out" / "demo"
    command = [python, "-m", "misfire", "demo", "-o", out, *sys.argv[1:]]
    status = subprocess.run(command, cwd=ROOT, check=False).returncode
    if status == 0:
        print(f"\nOpen the report in a browser: {out / 'report.html'}", file=sys.stderr)
    return status


if __name__ == "__main__":
    sys.exit(main())
