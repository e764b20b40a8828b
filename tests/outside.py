#!/usr/bin/env python3
"""Runs every check from outside the project and sums them up: one line a check.

Each part is a script of its own, written with general-purpose libraries; this one only runs them.
Needs the release programs (cargo build --release) and tests/requirements.txt.
"""

import os
import pathlib
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parent.parent
READER = ROOT / "tests" / "reader"

PARTS = [
    ("independent reader: published known answers and damage", ["-m", "pytest", "-q", str(READER)]),
    ("independent reader: frozen vectors", [str(READER / "check_vectors.py")]),
    (
        "CDDL: every good vector by a general-purpose validator",
        [str(READER / "check_cddl.py"), *map(str, sorted((ROOT / "format-spec/vectors/good").glob("*.carrylog")))],
    ),
    ("files made by the real programs, opened by the independent reader", [str(ROOT / "tests/cross_check.py")]),
    ("battery computations against numpy, scipy, statsmodels, lifelines", [str(ROOT / "tests/health_reference.py")]),
]


def main() -> int:
    failed = 0
    for title, arguments in PARTS:
        print(f"\n-- {title}", flush=True)
        done = subprocess.run([sys.executable, *arguments], cwd=ROOT, env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"})
        if done.returncode != 0:
            failed += 1
            print(f"-- FAILED: {title}", flush=True)
    print(f"\noutside: {len(PARTS) - failed} passed, {failed} failed", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
