"""A run for tests: carried out once, judged, its log and report kept; and what the command line says of it."""

from __future__ import annotations

import asyncio
import contextlib
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from gateway.app.run import Finished
    from gateway.config import RunConfig
    from gateway.model.records import Measure, Verdict

_TURN_S = 0.2


@dataclass(slots=True)
class Run:
    """A run that has ended.

    Attributes:
        log, report: the files that are kept of it.
        verdicts: on each requirement.
        measures: all figures.
    """

    log: Path
    report: Path
    verdicts: list[Verdict]
    measures: list[Measure]
    troubles: list[str] = field(default_factory=list)

    def figure(self, node: str, subject: str, name: str) -> Measure:
        """A figure, such as ``figure("crate-1", "climate", "rate")``.

        Raises:
            KeyError: there is none such.
        """
        for one in self.measures:
            if (one.node, one.subject, one.name) == (node, subject, name):
                return one
        raise KeyError(f"no figure {name} of {node} {subject}")

    def verdict(self, node: str, subject: str, name: str) -> Verdict:
        """A verdict.

        Raises:
            KeyError: that is not required.
        """
        for one in self.verdicts:
            if (one.measure.node, one.measure.subject, one.measure.name) == (node, subject, name):
                return one
        raise KeyError(f"{name} of {node} {subject} is not required")


@contextlib.contextmanager
def radio_turn(radio: str) -> Iterator[None]:
    """Have the radio of this machine to oneself: other processes that test with it wait for their turn. A virtual radio
    is each process's own."""
    from gateway.host.lock import FileLock
    from gateway.model.errors import LogFileError

    if radio == "virtual":
        yield
        return
    path = Path(tempfile.gettempdir()) / f"gattest-radio-{radio}"
    while True:
        try:
            lock = FileLock(path)
            break
        except LogFileError:
            time.sleep(_TURN_S)
    try:
        yield
    finally:
        lock.release()


def told(config: pytest.Config, name: str) -> str:
    return str(config.getoption(name) or "")


def loaded_run(config: pytest.Config, path: Path) -> RunConfig:
    """A run file, with the radio that the command line asks for."""
    from gateway.config import load_run
    from gateway.model.errors import GattestError
    from gateway.model.radios import RadioName

    try:
        loaded = load_run(path)
        if radio := told(config, "--gattest-radio"):
            loaded = replace(loaded, radio=RadioName(radio))
    except (GattestError, ValueError) as error:
        raise pytest.UsageError(str(error)) from None
    return loaded


def _length_ns(config: pytest.Config, loaded: RunConfig) -> int:
    from gateway.model.errors import UnitError
    from gateway.model.units import parse_duration_ns

    if text := told(config, "--gattest-for"):
        try:
            return parse_duration_ns(text)
        except UnitError as error:
            raise pytest.UsageError(f"--gattest-for {text!r}: {error}") from None
    if loaded.length_ns is None:
        raise pytest.UsageError(f"{loaded.path}: no length; add one under [run], or use --gattest-for")
    return loaded.length_ns


def folder_of(config: pytest.Config, factory: pytest.TempPathFactory) -> Path:
    if text := told(config, "--gattest-into"):
        Path(text).mkdir(parents=True, exist_ok=True)
        return Path(text)
    return factory.mktemp("gattest", numbered=True)


def unused(folder: Path, stem: str) -> Path:
    names = (folder / f"{stem}{f'-{n}' if n > 1 else ''}.db" for n in range(1, 10_000))
    return next(path for path in names if not path.exists())


def carried_out(config: pytest.Config, loaded: RunConfig, folder: Path) -> Run:
    """A run from its beginning to its report; in a thread, as a test may have a loop of its own."""
    from gateway.app.report import review
    from gateway.app.run import run

    log, length_ns = unused(folder, loaded.path.stem), _length_ns(config, loaded)
    done: list[Finished] = []
    failed: list[BaseException] = []

    def work() -> None:
        try:
            done.append(asyncio.run(run(loaded, log, length_ns)))
        except BaseException as error:
            failed.append(error)

    thread = threading.Thread(target=work, name="gattest run")
    with radio_turn(loaded.radio.value):
        thread.start()
        thread.join()
    if failed:
        raise failed[0]
    judged = done[0].judged
    report = log.with_suffix(".html")
    review(done[0].log, judged.run.id).write_page(report, force=True)
    return Run(done[0].log, report, judged.verdicts, judged.measures, done[0].troubles)
