"""The guest's images. The guest itself, which takes longest, needs nothing but Debian's programs, so that it can be built
beside everything else:

    python -m tests.bluez.images
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
PROGRAMS = ("qemu-system-x86_64", "mmdebstrap", "kmod", "cpio", "mke2fs")


def guest() -> Path:
    """The folder of the guest's kernel and root disk, built where they are missing or were made from something else."""
    cache = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "gattest-bluez"
    made_from = b"".join(path.read_bytes() for path in (HERE / "build.sh", HERE / "guest" / "stub.sh"))
    folder = cache / hashlib.sha256(made_from).hexdigest()[:12]
    if not (folder / "root.img").exists():
        print("building the guest", flush=True)
        subprocess.run(["bash", str(HERE / "build.sh"), str(folder)], check=True, stdout=subprocess.DEVNULL)
    return folder


def images() -> Path:
    """The same with a disk that holds this project and what it needs."""
    folder = guest()
    print("building the disk with this project and what it needs", flush=True)
    wheel, site = folder / "wheel", folder / "site"
    for old in (wheel, site):
        shutil.rmtree(old, ignore_errors=True)
    pip = [sys.executable, "-m", "pip"]
    subprocess.run([*pip, "wheel", "-q", "--no-deps", "-w", str(wheel), str(ROOT)], check=True)
    (built,) = wheel.glob("*.whl")
    subprocess.run([*pip, "install", "-q", "--target", str(site), str(built)], check=True, stderr=subprocess.DEVNULL)
    shutil.rmtree(site / "bin", ignore_errors=True)
    image = folder / "site.img"
    image.unlink(missing_ok=True)
    command = ["mke2fs", "-q", "-t", "ext4", "-O", "^has_journal", "-m", "0", "-d", str(site), str(image), "480M"]
    subprocess.run(command, check=True)
    return folder


if __name__ == "__main__":
    guest()
