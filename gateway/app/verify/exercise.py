"""Exercise a node into a log, or go on where the newest exercise in it was broken off."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from gateway.app.verify.air import SOUND, air, pairing_with
from gateway.config import Faults
from gateway.host.clock import Clock
from gateway.log.reader import Log
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.errors import InputError
from gateway.model.events import ExerciseStep
from gateway.model.radios import RadioName
from gateway.model.records import Outcome
from gateway.plugin import Plugin
from gateway.session.seek import check_adapter
from gateway.verify.exercise import Drive, Step, Tried

_TITLE = "Exercise of"
_RESUMED = ", gone on with"


@dataclass(frozen=True, slots=True)
class Exercised:
    """What came of an exercise: the run of the log, the steps, and why the node is not set as it was, "" if it is."""

    run: int
    tried: list[Tried]
    left: str


async def exercise(
    who: str,
    plugin: Plugin,
    radio: RadioName,
    plan: Sequence[Step],
    log: Path,
    patience_s: float,
    resume: bool,
    on_step: Callable[[Tried], None] = lambda tried: None,
    clock: Clock | None = None,
    faults: Faults = SOUND,
) -> Exercised:
    """Try a plan's steps on a node, each with its verdict in a new run of the log.

    Args:
        who: its name or address.
        radio: which; on the virtual air a simulated node of the plugin is there to be exercised.
        patience_s: the longest a single step may take.
        resume: take over what the log's newest exercise of this node has told already.
        on_step: called with each step that is done.
        faults: what the simulated node does wrong.

    Raises:
        AdapterError: Bluetooth can't be used.
        InputError: the log can't be used, or holds nothing to resume.
    """
    clock = clock or Clock()
    earlier = _earlier(log, who, plan) if resume else {}
    pairing = pairing_with(who, plugin, radio)
    async with air(who, plugin, radio, faults) as opened:
        await check_adapter(opened)
        title = f"{_TITLE} {who}{_RESUMED if resume else ''}"
        facts = RunFacts(title, clock.now_ns(), None, opened.name, "", "", {who: (plugin, who)})
        writer = LogWriter(log, facts)
        drive, how = Drive(who, plugin, pairing, opened, writer, clock, patience_s, earlier, on_step), "interrupted"
        try:
            await drive.run(plan)
            how = "all steps done"
        finally:
            await asyncio.to_thread(writer.close, clock.now_ns(), how)
    if writer.status.failed:
        raise InputError(writer.status.failed)
    return Exercised(writer.run, drive.tried, drive.left)


def _earlier(path: Path, who: str, plan: Sequence[Step]) -> dict[str, Tried]:
    """What the log's newest exercise of the node told, pass or fail; by the names of the steps.

    Raises:
        InputError: there is none.
    """
    told: dict[tuple[str, str], tuple[int, ExerciseStep]] = {}
    with Log(path) as log, log.damage_reported():
        for number in sorted(log.run_ids(), reverse=True):  # back to where it was begun; the newest verdict holds
            info = log.run(number)
            if info.title not in (f"{_TITLE} {who}", f"{_TITLE} {who}{_RESUMED}"):
                continue
            for event in log.events(info):
                tried = event.detail
                if isinstance(tried, ExerciseStep) and tried.verdict in (Outcome.PASS, Outcome.FAIL):
                    told.setdefault((tried.step, tried.expected), (number, tried))
            if not info.title.endswith(_RESUMED):
                break
        else:
            raise InputError(f"{path} contains no exercise of {who}; run without --resume to start one")
    found = {}
    for step in plan:  # one that the plugin now expects something else of is tried again
        if (before := told.get((step.name, step.expected))) is not None:
            number, done = before
            run = number if done.tried_in_run is None else done.tried_in_run
            found[step.name] = Tried(step, Outcome(done.verdict), done.found, run)
    return found
