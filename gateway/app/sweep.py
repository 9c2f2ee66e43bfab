"""The same run with one setting of the link after another: on which interval and PHY does a node keep its spec?"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from gateway.analysis.judge import outcome_of
from gateway.app.judge import judge
from gateway.app.run import execute
from gateway.config import RunConfig
from gateway.log.writer import LogWriter
from gateway.model.errors import InputError
from gateway.report.live import RunView
from gateway.report.sweep import SettingResult, setting_text


async def sweep(
    config: RunConfig,
    log: Path,
    on_view: Callable[[RunView], None] = lambda view: None,
    on_tried: Callable[[SettingResult], None] = lambda tried: None,
) -> list[SettingResult]:
    """Carry out a run for each setting of the run file's sweep, all into one log.

    Args:
        config: the proven run file.
        log: an existing one gets the runs beside those it has.
        on_view: called twice a second with the state of the run.
        on_tried: called with each setting that has been tried.

    Raises:
        AdapterError: Bluetooth can't be used.
        InputError: the run file has no sweep, or the log can't be used.
    """
    if config.sweep is None:
        raise InputError(f'{config.path} has no sweep; add [sweep] with interval = ["15 ms", "30 ms"] or the like')
    tried = []
    for air in config.sweep.settings:
        one = replace(config, air=air, title=f"{config.title}: {setting_text(air)}")
        result = await execute(one, lambda facts: LogWriter(log, facts), config.sweep.length_ns, on_view)
        if result.troubles:
            raise InputError("\n".join(result.troubles))
        judged = await asyncio.to_thread(judge, result.log, result.run)
        outcomes = {
            node.name: outcome_of(judged.run, [one for one in judged.verdicts if one.measure.node == node.name])
            for node in judged.run.nodes
        }
        tried.append(SettingResult(air, result.run, outcomes, judged.measures))
        on_tried(tried[-1])
        if result.how.startswith("stopped"):
            break
    return tried
