"""Runs campaigns, one after the other.

python -m tests.campaign [NAME…]
"""

from __future__ import annotations

import os
import shutil
import sys
import time

from tests.campaign import air, disk

CAMPAIGNS = {
    one.__name__: one
    for one in (
        disk.kills,
        disk.power,
        disk.full,
        disk.locked,
        disk.sync_fails,
        disk.stopped,
        air.faults,
        air.sixteen,
        air.delay,
        air.month,
    )
}
NEEDS = {"power": "strace", "sync_fails": "strace"}


def main() -> None:
    names = sys.argv[1:] or list(CAMPAIGNS)
    if unknown := [name for name in names if name not in CAMPAIGNS]:
        sys.exit(f"no campaign {', '.join(unknown)}; there are {', '.join(CAMPAIGNS)}")
    skipped = []
    for name in names:
        print(f"== {name}: {CAMPAIGNS[name].__doc__}", flush=True)
        missing = NEEDS[name] if name in NEEDS and shutil.which(NEEDS[name]) is None else ""
        if name == "full" and os.geteuid():
            missing = "root, to mount a small disk"
        if missing:
            skipped.append(name)
            print(f"skipped: needs {missing}")
        else:
            began = time.monotonic()
            CAMPAIGNS[name]()
            print(f"({time.monotonic() - began:.0f} s)", flush=True)
    if skipped and (sys.argv[1:] or os.environ.get("CI")):
        sys.exit(f"skipped: {', '.join(skipped)}")


if __name__ == "__main__":
    main()
