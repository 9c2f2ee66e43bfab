"""Commands on captures: replay, extract."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.shared import (
    Force,
    Ltk,
    OnlyChannels,
    OnlyNodes,
    Run,
    Since,
    Until,
    console_of,
    exit_with,
    show_skipped,
    show_verdicts,
    span_of,
)
from gateway.model.errors import InputError


def replay(
    capture: Annotated[Path, typer.Argument(help="A capture: gattest's own, btsnoop, pcap or pcapng.")],
    plugin: Annotated[str | None, typer.Option(help="Kind or folder of the nodes' plugin.")] = None,
    spec: Annotated[Path | None, typer.Option(help="Run file with the spec to judge against.")] = None,
    into: Annotated[Path | None, typer.Option(help="Log file; CAPTURE's name with .db by default.")] = None,
    handles: Annotated[
        Path | None, typer.Option(help="TOML file with names by attribute handle, for a capture without discovery.")
    ] = None,
    ltk: Ltk = None,
    pace: Annotated[str, typer.Option(help="1x real time, 10x ten times faster, max as fast as possible.")] = "max",
) -> None:
    """Replay a capture into a log and judge it as if it were a live run."""
    from gateway.app.replay import replay as replay_file
    from gateway.config import load_run
    from gateway.plugin import find_plugin
    from gateway.report.live import CountDisplay, LiveDisplay

    speed = _speed(pace)
    config = load_run(spec) if spec else None
    given = find_plugin(plugin) if plugin else None
    log = into or Path(capture.name.partition(".")[0] + ".db")
    console = console_of()
    with LiveDisplay(console) if speed is not None else CountDisplay(console) as display:
        found = replay_file(capture, log, given, config, handles, ltk, speed, display)
    done, judged = found.done, found.judged
    place = f"{log}, run {done.run}" if not done.failed else "two files, see below; the first one is judged"
    console.print(
        f"{judged.run.title}: {done.frames} values and {done.events} events from {capture} in {place}\n",
        soft_wrap=True,
    )
    if judged.run.nodes:
        show_verdicts(judged.verdicts, console)
    else:
        console.print(
            f"No node was recognised in it, so nothing can be judged; gattest show {capture} tells who is in it.",
            soft_wrap=True,
        )
    show_skipped(done.trouble.lines(), console)
    if done.guesses:
        console.print(
            "\nBehind handles that were not discovered may stand, by the order in the plugin and the lengths of the "
            "values (a guess: check it, save it and give it with --handles):\n[handles]",
            soft_wrap=True,
        )
        for line in done.guesses:
            console.print(line, soft_wrap=True)
    if done.failed:
        raise InputError(done.failed)
    raise exit_with(judged.outcome)


def _speed(pace: str) -> float | None:
    if pace == "max":
        return None
    try:
        speed = float(pace.removesuffix("x"))
    except ValueError:
        speed = 0.0
    if not 0 < speed <= 1e6:
        raise InputError(f"--pace {pace!r} is not valid; use 1x, 10x or max")
    return speed


def extract(
    log: Annotated[Path, typer.Argument(help="A log.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="Capture file; .gz or .zst compresses it.")],
    run: Run = None,
    node: OnlyNodes = None,
    channel: OnlyChannels = None,
    since: Since = None,
    until: Until = None,
    expected: Annotated[
        bool, typer.Option("--expected", help="Also write the decoded values next to it, as for a test stream.")
    ] = False,
    force: Force = False,
) -> None:
    """Extract part of a log as a capture: a test stream for a plugin, or a recording to replay."""
    from rich.console import Console

    from gateway.app.extract import extract as extract_records
    from gateway.capture.streams import expected_path

    with Console(stderr=True).status("extracting"):
        info, count = extract_records(
            log, output, run, node or (), channel or (), span_of(since, until), expected, force
        )
    console = console_of()
    console.print(f"{count} records from {log}, run {info.id}, in {output}", soft_wrap=True)
    if expected:
        console.print(f"decoded values, for you to review, in {expected_path(output)}", soft_wrap=True)
