"""Commands that make captures and read them: record, replay, extract."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.shared import (
    RadioName,
    console_of,
    duration_ns,
    exit_code,
    refuse_same,
    show_troubles,
    show_verdicts,
    span_ns,
    write_file,
)
from gateway.model.errors import InputError

if TYPE_CHECKING:
    from gateway.app.replay import Capture
    from gateway.capture import Header
    from gateway.config import RunConfig
    from gateway.plugin import Plugin


def record(
    runfile: Annotated[Path, typer.Argument(help="The run file.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="The capture; .gz or .zst compress it.")],
    for_: Annotated[str | None, typer.Option("--for", help="How long, such as '20 s' or '72 h'.")] = None,
    radio: Annotated[RadioName | None, typer.Option(help="Instead of the run file's.")] = None,
) -> None:
    """Run the nodes of a run file into a capture, a text of one record a line, instead of a log."""
    import asyncio
    from functools import partial

    from gateway.app.record import CaptureRecorder
    from gateway.app.run import execute
    from gateway.config import load_run
    from gateway.report.live import LiveDisplay

    refuse_same(output, runfile)
    config = load_run(runfile, radio.value if radio else None)
    length_ns = duration_ns("--for", for_) if for_ is not None else config.length_ns
    console = console_of()
    with LiveDisplay(console) as display:
        result = asyncio.run(execute(config, partial(CaptureRecorder, output), length_ns, display))
    console.print(f"{config.title}: {result.how}; {result.frames} values in {output}", soft_wrap=True)
    troubles = [*result.unfit, *([result.failed] if result.failed else [])]
    if result.dropped:
        troubles.append(f"{result.dropped} values could not be kept")
    if troubles:
        raise InputError("\n".join(troubles))


def replay(
    capture: Annotated[Path, typer.Argument(help="A capture: gattest's own, btsnoop, pcap or pcapng.")],
    plugin: Annotated[str | None, typer.Option(help="Kind or folder of the nodes' plugin.")] = None,
    spec: Annotated[Path | None, typer.Option(help="A run file whose spec to judge by.")] = None,
    into: Annotated[Path | None, typer.Option(help="The log; CAPTURE's name with .db here by default.")] = None,
    handles: Annotated[
        Path | None, typer.Option(help="Where discovery is not in the capture: names by attribute handle, in TOML.")
    ] = None,
    pace: Annotated[str, typer.Option(help="1x as it happened, 10x faster, max as fast as it goes.")] = "max",
) -> None:
    """Put a capture into a log and judge it, as if it happened now."""
    from gateway.app.replay import replay as replay_capture
    from gateway.app.review import verdicts_of
    from gateway.config import load_run
    from gateway.host.gc import settle_memory
    from gateway.plugin import find_plugin
    from gateway.report.live import CountDisplay, LiveDisplay

    speed = _speed(pace)
    config = load_run(spec) if spec else None
    given = find_plugin(plugin) if plugin else None
    log = into or Path(capture.name.partition(".")[0] + ".db")
    console = console_of()
    settle_memory()
    display = LiveDisplay(console) if speed is not None else CountDisplay(console)
    with _opened(capture, given, config, handles) as source, display:
        plugins, only = _plugins(source.header, given, config)
        if only is None and not plugins:
            raise InputError(f"{capture} names no plugin; give --plugin")
        done = replay_capture(source, log, plugins, only, config, display, speed)
    info, verdicts = verdicts_of(log, done.run, None)
    place = f"{log}, run {done.run}" if not done.failed else "two places, see below; judged is the first"
    console.print(
        f"{info.title}: {done.frames} values and {done.events} events of {capture} in {place}\n",
        soft_wrap=True,
    )
    outcome = show_verdicts(verdicts, console)
    show_troubles(done.trouble.lines(), console)
    if done.failed:
        raise InputError(done.failed)
    raise typer.Exit(exit_code(outcome))


@contextlib.contextmanager
def _opened(path: Path, given: Plugin | None, config: RunConfig | None, handles: Path | None) -> Iterator[Capture]:
    from gateway.capture import ForeignCapture, TextCapture, is_foreign, read_handles

    if not is_foreign(path):
        with TextCapture(path) as source:
            yield source
        return
    nodes = config.nodes.values() if config else ()
    plugins = list(
        {plugin.kind: plugin for plugin in [*(n.plugin for n in nodes), *([given] if given else [])]}.values()
    )
    if not plugins:
        raise InputError(
            f"{path} does not say what its nodes are; give --plugin, or --spec with the nodes of a run file"
        )
    names = {sought: node.name for node in nodes for sought in (node.find_address, node.find_name) if sought}
    yield ForeignCapture(path, plugins, names, read_handles(handles, plugins) if handles else {})


def _speed(pace: str) -> float | None:
    if pace == "max":
        return None
    try:
        speed = float(pace.removesuffix("x"))
    except ValueError:
        speed = 0.0
    if not 0 < speed <= 1e6:
        raise InputError(f"--pace {pace!r} can't be used; write 1x, 10x or max")
    return speed


def _plugins(header: Header, given: Plugin | None, config: RunConfig | None) -> tuple[dict[str, Plugin], Plugin | None]:
    """The plugins of a capture's nodes: the one given, those of the run file, and those that are found by kind."""
    from gateway.plugin import find_plugin

    known = {node.plugin.kind: node.plugin for node in config.nodes.values()} if config else {}
    if given is not None:
        known[given.kind] = given
    found = {kind: known.get(kind) or find_plugin(kind) for kind in dict.fromkeys(header.kinds.values())}
    only = given
    if only is None and header.plugin:
        only = known.get(header.plugin) or find_plugin(header.plugin)
    if only is None and len(known) == 1:
        (only,) = known.values()
    return {**known, **found}, only


def extract(
    log: Annotated[Path, typer.Argument(help="A log.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="The capture; .gz or .zst compress it.")],
    run: Annotated[int | None, typer.Option(min=1, help="Which run; the newest by default.")] = None,
    node: Annotated[list[str] | None, typer.Option(help="Only this node; may be repeated.")] = None,
    channel: Annotated[list[str] | None, typer.Option(help="Only this channel; may be repeated.")] = None,
    since: Annotated[str | None, typer.Option(help="UTC time, or time since the run's start such as '5 min'.")] = None,
    until: Annotated[str | None, typer.Option(help="The same.")] = None,
    expected: Annotated[
        bool, typer.Option("--expected", help="Write what it decodes to beside it, as a test stream has it.")
    ] = False,
) -> None:
    """Write a part of a log as a capture: a test stream for a plugin, or a record to replay."""
    from rich.console import Console

    from gateway.app.replay import extract as extract_records
    from gateway.capture import write_capture
    from gateway.capture.streams import expected_path, expected_text
    from gateway.log.reader import Log
    from gateway.plugin import find_plugin

    refuse_same(output, log)
    beside = expected_path(output)
    if expected and beside.exists():
        raise InputError(f"{beside} is there already, perhaps mended by hand; move it, or give another name")
    console = console_of()
    with Log(log) as opened, opened.damage_told(), Console(stderr=True).status("extracting"):
        info = opened.run(run)
        first, last = span_ns(since, until, info.started_ns)
        header, records = extract_records(opened, info, node or (), channel or (), first, last)
        ended = (info.ended_ns, info.ended_how) if last is None and info.ended_ns is not None else None
        count = write_capture(output, header, records, ended)
    console.print(f"{count} records of {log}, run {info.id}, in {output}", soft_wrap=True)
    if expected:
        plugins = {node.name: find_plugin(node.kind) for node in info.nodes if node.name in header.kinds}
        write_file(beside, expected_text(output, plugins))
        console.print(f"what it decodes to, to be looked through, in {beside}", soft_wrap=True)
