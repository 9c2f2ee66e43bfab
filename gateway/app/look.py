"""The verdicts of a run that goes on, looked at ever less often, so that a soak may be ended early with a verdict that
holds: what is told in any look is told with the risk of one (`analysis.judge`). Each look is a process of its own with
little priority, since measuring a long log takes a while and must not hold up who listens."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import IO

from gateway.app.judge import judge
from gateway.model.errors import GattestError
from gateway.report.live import RunView, SoFar

FIRST_S = 60.0
LATER = 1.5  # times the length of the run at the look before


class Looks:
    """Looks at a run whenever it is called and a look is due; a context manager, which ends with the run.

    Args:
        before_s: how long the run had lasted before it was resumed: looks that it had then count.
    """

    def __init__(self, before_s: float = 0.0) -> None:
        self._before_s = before_s
        self._number = 0
        self._next_s = FIRST_S
        while self._next_s <= before_s:
            self._number, self._next_s = self._number + 1, self._next_s * LATER
        self._begun_s = 0.0
        self._process: subprocess.Popen[bytes] | None = None
        self._told: IO[bytes] | None = None
        self._newest: SoFar | None = None

    def __enter__(self) -> Looks:
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._done()

    def __call__(self, view: RunView) -> SoFar | None:
        """What the newest look found, None before the first."""
        if self._process is not None and self._process.poll() is not None:
            self._read()
        if self._process is None and self._before_s + view.elapsed_s >= self._next_s:
            self._look(view)
        return self._newest

    def _look(self, view: RunView) -> None:
        self._number += 1
        self._begun_s = self._before_s + view.elapsed_s
        self._next_s = self._begun_s * LATER
        with contextlib.suppress(OSError):  # no file or process to be had now: the next look may get one
            self._told = tempfile.TemporaryFile()  # noqa: SIM115  read when the process is done
            self._process = subprocess.Popen(  # noqa: S603  this program itself
                [sys.executable, "-P", "-m", "gateway.app.look", str(view.status.path.resolve()), str(self._number)],
                stdin=subprocess.DEVNULL,
                stdout=self._told,
                stderr=subprocess.DEVNULL,
                start_new_session=True,  # Ctrl-C is the run's to answer
            )

    def _read(self) -> None:
        if self._told is not None:
            self._told.seek(0)
            with contextlib.suppress(ValueError):  # nothing, where the log could not be read then
                rows = json.loads(self._told.read())
                self._newest = SoFar(self._begun_s, tuple((str(a), str(b), str(c), str(d)) for a, b, c, d in rows))
        self._done()

    def _done(self) -> None:
        self._process = None
        if self._told is not None:
            self._told.close()
            self._told = None


def main() -> None:
    """One look: each requirement of the newest run of a log with its node, subject, figure and verdict, as JSON."""
    if hasattr(os, "nice"):
        os.nice(10)
    path, number = Path(sys.argv[1]), int(sys.argv[2])
    with contextlib.suppress(GattestError):
        verdicts = judge(path, look=number).verdicts
        rows = [(v.measure.node, v.measure.subject, v.measure.name, v.outcome.value) for v in verdicts]
        sys.stdout.write(json.dumps(rows))


if __name__ == "__main__":
    main()
