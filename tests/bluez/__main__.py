"""gattest against the real Linux Bluetooth stack: builds a small guest (kernel, BlueZ, D-Bus, Python, this project), puts
simulated nodes around its adapter, runs each case in it, and says PASS or FAIL for each.

    python -m tests.bluez                 every case, about 25 minutes
    python -m tests.bluez --short         those that the project's own check runs
    python -m tests.bluez drop killed     some

Needs root, and Debian's qemu-system-x86 mmdebstrap busybox-static kmod cpio e2fsprogs apt-utils. Images are kept in
the user's cache folder by what they are made from.
"""

from __future__ import annotations

import asyncio
import os
import shutil
import sys
import time
import traceback
from pathlib import Path

from tests.bluez.cases import CASES, NOT_BY_ITSELF, SHORT, Case
from tests.bluez.images import HERE, PROGRAMS, images
from tests.bluez.rig import Rig, say


async def run(names: list[str], work: Path) -> dict[str, list[str]]:
    """Run cases; what was wrong with each."""
    wrong: dict[str, list[str]] = {}
    rig = Rig(images(), work)
    try:
        await rig.start(HERE / "two.toml")
        for name in names:
            say(f"==== {name}: {CASES[name].__doc__}")
            began = time.monotonic()
            c = Case(rig, name)
            try:
                await rig.ready()
                await rig.clear()
                await asyncio.wait_for(CASES[name](c), 560)
            except Exception as error:
                c.wrong.append(f"the case broke: {error!r}")
                traceback.print_exc()
            if c.run and not c.run.over.done():
                await rig.kill(c.run, "KILL")
            wrong[name] = c.wrong
            say(
                f"{'FAIL' if c.wrong else 'PASS'} {name} ({time.monotonic() - began:.0f} s)",
                *(f"\n   - {one}" for one in c.wrong),
            )
    finally:
        await rig.end()
    return wrong


def main() -> None:
    missing = [program for program in PROGRAMS if shutil.which(program) is None]
    if missing or os.geteuid():
        print(f"skipped: needs root and {', '.join(missing or PROGRAMS)}")
        sys.exit(1 if os.environ.get("CI") == "true" else 0)
    asked = sys.argv[1:]
    names = list(SHORT) if asked == ["--short"] else asked or [name for name in CASES if name not in NOT_BY_ITSELF]
    if unknown := [name for name in names if name not in CASES]:
        sys.exit(f"no case {', '.join(unknown)}; there are {', '.join(CASES)}")
    wrong = asyncio.run(run(names, Path("/tmp/gattest-bluez")))
    print()
    for name, found in wrong.items():
        print("FAIL" if found else "PASS", name)
    sys.exit(any(wrong.values()))


if __name__ == "__main__":
    main()
