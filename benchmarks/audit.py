"""Known weaknesses of the installed packages, by pip-audit.

    python -m benchmarks.audit

Exit 1 on any; where the list can't be reached within a minute it says so and ends with 0.
"""

from __future__ import annotations

import json
import subprocess
import sys


def main() -> None:
    """Run the command line."""
    command = [sys.executable, "-m", "pip_audit", "--format", "json", "--skip-editable",
               "--timeout", "20", "--progress-spinner", "off"]  # fmt: skip
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
        found = json.loads(done.stdout)
    except (subprocess.TimeoutExpired, ValueError):
        print("skipped: the list of known weaknesses can't be reached")
        return
    weak = [entry for entry in found["dependencies"] if entry.get("vulns")]
    for entry in weak:
        names = ", ".join(v["id"] for v in entry["vulns"])
        print(f"{entry['name']} {entry.get('version', '?')}: {names}")
    print(f"{len(found['dependencies'])} packages, {len(weak)} with known weaknesses")
    sys.exit(bool(weak))


if __name__ == "__main__":
    main()
