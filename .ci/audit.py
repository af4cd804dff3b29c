"""Known faults of the locked packages: who is hit, by what, and which version mends it.

`python .ci/audit.py requirements.lock` exits 1 where a fault is known. Where no database of faults can be reached it
says that nothing was looked up, and exits 0.
"""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any


def verdict(found: str) -> tuple[list[str], int]:
    """What to say of pip-audit's JSON, and the exit code; empty text means that it got no answer."""
    packages: list[dict[str, Any]] = json.loads(found)["dependencies"] if found.strip() else []
    looked_up = [package for package in packages if "vulns" in package]
    if not looked_up:
        return ["make audit: not run: no database of known faults can be reached"], 0
    lines = [
        f"{package['name']} {package['version']}: {fault['id']}; mended in {', '.join(fault['fix_versions']) or 'none'}"
        for package in looked_up
        for fault in package["vulns"]
    ]
    unknown = [package["name"] for package in packages if "vulns" not in package]
    if unknown:
        lines.append(f"not looked up: {', '.join(unknown)}")
    faults = sum(len(package["vulns"]) for package in looked_up)
    return [*lines, f"{faults} known faults in {len(looked_up)} packages"], int(faults > 0)


def main(lock: str) -> int:
    """Look up every package of a lock file."""
    words = ["-r", lock, "--require-hashes", "--disable-pip", "--progress-spinner=off", "--format=json"]
    done = subprocess.run([sys.executable, "-m", "pip_audit", *words], capture_output=True, text=True, check=False)
    lines, code = verdict(done.stdout)
    print("\n".join(lines))
    return code


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
