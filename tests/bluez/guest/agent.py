"""In the guest: carries out what the host asks for over a virtio port, a JSON object a line, and answers alike.

{"id": 1, "sh": "command"} runs it and answers {"id": 1, "rc": 0, "out": "...", "s": 0.3} when it has ended.
{"id": 2, "sh": "...", "stay": "name"} starts it with its output in /mnt/share/out/name.log, answers {"id": 2, "pid": 17}
at once, and {"ended": 17, "rc": 0, "name": "name"} when it ends."""

import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

OUT = Path("/mnt/share/out")


def port(name: str) -> str:
    for one in Path("/sys/class/virtio-ports").iterdir():
        if (one / "name").read_text().strip() == name:
            return f"/dev/{one.name}"
    sys.exit(f"no virtio port {name}")


fd = os.open(port("control"), os.O_RDWR)
lock = threading.Lock()


def say(**what: object) -> None:
    with lock:
        left = json.dumps(what).encode() + b"\n"
        while left:
            left = left[os.write(fd, left) :]


def run(ask: dict) -> None:
    began = time.monotonic()
    if "stay" in ask:
        with (OUT / f"{ask['stay']}.log").open("wb") as log:
            process = subprocess.Popen(
                ["/bin/sh", "-c", f"exec {ask['sh']}"], stdin=subprocess.DEVNULL, stdout=log, stderr=subprocess.STDOUT
            )
        say(id=ask["id"], pid=process.pid)
        rc = process.wait()
        say(ended=process.pid, rc=rc, name=ask["stay"])
        return
    try:
        done = subprocess.run(
            ["/bin/sh", "-c", ask["sh"]],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            timeout=ask.get("timeout", 60),
        )
        rc, out = done.returncode, done.stdout
    except subprocess.TimeoutExpired as late:
        rc, out = 124, late.stdout or b""
    say(id=ask["id"], rc=rc, out=out.decode(errors="replace"), s=round(time.monotonic() - began, 3))


with open("/proc/uptime") as uptime:
    say(up=float(uptime.read().split()[0]))
rest = b""
while True:
    piece = os.read(fd, 65536)
    if not piece:
        time.sleep(0.05)
        continue
    *lines, rest = (rest + piece).split(b"\n")
    for line in lines:
        ask = json.loads(line)
        if ask.get("end"):
            sys.exit(0)
        threading.Thread(target=run, args=(ask,), daemon=True).start()
