"""Commands on logs: judge, show, export, redecode, merge, forward."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.shared import (
    console_of,
    duration_ns,
    exit_code,
    make_folder,
    refuse_same,
    say,
    show_verdicts,
    span_ns,
    write_file,
)
from gateway.model.errors import InputError

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress

    from gateway.analysis.contents import Contents, Newest
    from gateway.plugin import Plugin


NEWEST = 20


def judge(
    log: Annotated[Path, typer.Argument(help="A log.")],
    spec: Annotated[Path | None, typer.Option(help="A run file whose spec to use instead of the log's own.")] = None,
    run: Annotated[int | None, typer.Option(min=1, help="Which run; the newest by default.")] = None,
    junit: Annotated[Path | None, typer.Option(help="Write JUnit XML for a test server as well.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, with the query that shows each figure.")] = False,
) -> None:
    """Judge a log again, against its own spec or another; exit 0 pass, 1 fail, 3 inconclusive."""
    from gateway.analysis.judge import overall
    from gateway.app.review import verdicts_of
    from gateway.config import load_run
    from gateway.report.machine import verdicts_json, verdicts_junit

    info, verdicts = verdicts_of(log, run, load_run(spec) if spec else None)
    if junit is not None:
        refuse_same(junit, log, *([spec] if spec else []))
        write_file(junit, verdicts_junit(info, verdicts))
    if as_json:
        say(verdicts_json(info, verdicts))
        raise typer.Exit(exit_code(overall(verdicts)))
    console = console_of()
    ended = (
        info.ended_how if info.ended_ns is not None else "has not ended, or was killed; judged up to its last record"
    )
    console.print(f"{info.title}, run {info.id} of {log}: {ended}\n", soft_wrap=True)
    raise typer.Exit(exit_code(show_verdicts(verdicts, console)))


def compare(
    before: Annotated[Path, typer.Argument(metavar="LOG_A", help="The log before.")],
    after: Annotated[Path, typer.Argument(metavar="LOG_B", help="The log after.")],
    run_a: Annotated[int | None, typer.Option("--run-a", min=1, help="Which run of LOG_A; the newest.")] = None,
    run_b: Annotated[int | None, typer.Option("--run-b", min=1, help="Which run of LOG_B; the newest.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for scripts.")] = False,
) -> None:
    """Hold two runs side by side, figure by figure, and tell what changed beyond the uncertainty of both."""
    import json

    from gateway.analysis.compare import compare as compare_runs
    from gateway.analysis.compare import unit_of
    from gateway.analysis.measure import measure_run
    from gateway.log.reader import Log
    from gateway.report.tables import pair_table

    runs = []
    for path, number in ((before, run_a), (after, run_b)):
        with Log(path) as opened, opened.damage_told():
            info = opened.run(number)
            runs.append((info, measure_run(opened, info)))
    pairs = compare_runs(runs[0], runs[1])
    if not pairs:
        kinds = [", ".join(f"{n.name} ({n.kind})" for n in info.nodes) or "none" for info, _ in runs]
        raise InputError(f"the runs have no node in common: {kinds[0]} in {before}, {kinds[1]} in {after}")
    if as_json:
        rows = [
            {
                "node": pair.node,
                "of": pair.subject,
                "figure": pair.figure,
                "unit": unit_of(pair),
                "before": pair.before.value if pair.before else None,
                "after": pair.after.value if pair.after else None,
                "change": pair.change,
            }
            for pair in pairs
        ]
        say(json.dumps(rows, indent=1))
        return
    console = console_of()
    for letter, (info, _), path in zip("AB", runs, (before, after), strict=True):
        console.print(f"{letter}: {info.title}, run {info.id} of {path}, {info.lasted_s:.0f} s", soft_wrap=True)
    console.print()
    console.print(pair_table(pairs))
    changed = [pair for pair in pairs if pair.change in ("higher", "lower")]
    console.print(f"\n{len(changed)} of {len(pairs)} figures changed beyond their uncertainty", soft_wrap=True)


def show(
    log: Annotated[Path, typer.Argument(help="A log.")],
    channel: Annotated[str | None, typer.Option(help="Print the newest values of this channel instead.")] = None,
    node: Annotated[str | None, typer.Option(help="With --channel: only of this node.")] = None,
    last: Annotated[int, typer.Option(min=1, max=100_000, help="With --channel: how many.")] = NEWEST,
    run: Annotated[int | None, typer.Option(min=1, help="With --channel: of which run; the newest by default.")] = None,
    verify: Annotated[bool, typer.Option("--verify", help="Check the whole file for damage as well.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for scripts.")] = False,
) -> None:
    """Tell what a log holds: runs, nodes, channels, spans, counts, events; or print its newest values."""
    import json
    from dataclasses import asdict

    from gateway.analysis.contents import contents, newest
    from gateway.log.reader import Log

    if channel is None and (node is not None or run is not None or last != NEWEST):
        raise InputError("--node, --last and --run go with --channel; name the channel whose values to print")
    console = console_of()
    with Log(log) as opened, opened.damage_told():
        if channel is not None:
            values = newest(opened, opened.run(run), channel, node, last)
            if as_json:
                say(json.dumps([dict(zip(v.columns, row, strict=True)) for v in values for row in v.rows], indent=1))
            else:
                for one in values:
                    _print_rows(one, console)
            return
        found = contents(opened)
        problems = opened.problems() if verify else []
        if as_json:
            say(json.dumps(asdict(found) | ({"problems": problems} if verify else {}), indent=1))
        else:
            _print_contents(found, console)
            if verify:
                console.print("SQLite's own check finds nothing wrong" if not problems else "SQLite's own check finds:")
    if problems:
        raise InputError("\n".join(problems))


def _print_rows(found: Newest, console: Console) -> None:
    from rich.table import Table

    if not found.rows:
        console.print("no values")
        return
    shown = [i for i, name in enumerate(found.names) if name != "fault" or any(row[i] for row in found.rows)]
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for i in shown:
        text = i < 2 or found.names[i] == "fault"
        title = f"{found.names[i]}\n{found.units[i]}".rstrip()
        table.add_column(title, justify="left" if text else "right", no_wrap=i < 2, overflow="fold")
    for row in found.rows:
        table.add_row(*(_cell(row[i]) for i in shown))
    console.print(table)


def _cell(value: object) -> str:
    return "-" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)


def _print_contents(found: Contents, console: Console) -> None:
    from rich.table import Table

    console.print(
        f"{found.log}: {found.size_bytes / 1e6:.1f} MB, {len(found.runs)} run{'s' * (len(found.runs) != 1)}",
        soft_wrap=True,
    )
    for run in found.runs:
        planned = f" of {run.planned_s:g} s" if run.planned_s is not None else ""
        console.print(
            f"\nrun {run.run}: {run.title}, {run.started_utc[:19]}Z, {run.lasted_s:.0f} s{planned}, {run.ended_how}; "
            f"{run.radio} on {run.host}, {run.requirements} requirements",
            soft_wrap=True,
        )
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
        for name in ("node", "channel"):
            table.add_column(name, overflow="fold")
        for name in ("values", "bad"):
            table.add_column(name, justify="right")
        for name in ("first", "last", "no value"):
            table.add_column(name, overflow="fold")
        for node in run.nodes:
            first = node.name
            for channel in node.channels:
                spans = [moment[11:19] if moment else "-" for moment in (channel.first_utc, channel.last_utc)]
                missing = ", ".join(f"{count} {why}" for why, count in channel.missing.items())
                table.add_row(first, channel.name, str(channel.frames), str(channel.undecoded), *spans, missing)
                first = ""
        console.print(table)
        for node in run.nodes:
            events = ", ".join(f"{count} {kind}" for kind, count in node.events.items())
            console.print(f"{node.name}: {events or 'no events'}", soft_wrap=True)
            for reason, count in node.losses.items():
                console.print(f"  lost {count}x: {reason}", soft_wrap=True, markup=False)


class FormName(StrEnum):
    """The forms of an export."""

    csv = "csv"
    jsonl = "jsonl"
    parquet = "parquet"


def export(
    log: Annotated[Path, typer.Argument(help="A log.")],
    to: Annotated[FormName, typer.Option(help="The form of the files.")] = FormName.csv,
    output: Annotated[str, typer.Option("--output", "-o", help="Folder for the files; - for standard output.")] = ".",
    run: Annotated[int | None, typer.Option(min=1, help="Which run; the newest by default.")] = None,
    node: Annotated[list[str] | None, typer.Option(help="Only this node; may be repeated.")] = None,
    channel: Annotated[list[str] | None, typer.Option(help="Only this channel; may be repeated.")] = None,
    since: Annotated[str | None, typer.Option(help="UTC time, or time since the run's start such as '5 min'.")] = None,
    until: Annotated[str | None, typer.Option(help="The same.")] = None,
    rate: Annotated[
        str | None, typer.Option(help="Resample to intervals such as '1 s': mean, min, max, count.")
    ] = None,
    redecode: Annotated[
        bool, typer.Option("--redecode", help="Decode the raw bytes instead of taking values.")
    ] = False,
    plugin: Annotated[
        list[Path] | None, typer.Option(help="With --redecode: a plugin's folder; may be repeated.")
    ] = None,
) -> None:
    """Write a run's values for analysis, a file for each channel, units in the column names."""
    from gateway.export import Wanted
    from gateway.export import export as export_run
    from gateway.host.gc import settle_memory
    from gateway.log.reader import Log

    if plugin and not redecode:
        raise InputError("--plugin goes with --redecode; without it values are taken as they stand")
    folder = None if output == "-" else Path(output)
    if folder is not None:
        make_folder(folder, "-o")
    every_ns = duration_ns("--rate", rate) if rate else None
    console = console_of()
    settle_memory()
    with Log(log) as opened, opened.damage_told(), _progress(folder is None) as bar:
        info = opened.run(run)
        first, last = span_ns(since, until, info.started_ns)
        wanted = Wanted(
            node or (),
            channel or (),
            -(2**63) if first is None else first,
            2**63 - 1 if last is None else last,
            every_ns,
        )
        plugins = _plugins_of({n.kind for n in info.nodes}, plugin) if redecode else {}
        task = bar.add_task("writing", total=None)
        done = export_run(
            opened, info, to.value, folder, wanted, plugins, lambda rows: bar.update(task, completed=rows)
        )  # fmt: skip
    if folder is not None:
        for one in done:
            console.print(f"{one.rows} rows in {one.path}", soft_wrap=True)


def _progress(hidden: bool) -> Progress:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeElapsedColumn

    columns = BarColumn(), MofNCompleteColumn(), "rows", TimeElapsedColumn()
    console = Console(stderr=True)
    return Progress(*columns, console=console, transient=True, disable=hidden or not console.is_terminal)


def _plugins_of(kinds: set[str], given: list[Path] | None) -> dict[str, Plugin]:
    """Plugins by kind: those given, and for other kinds those that are found by name."""
    from gateway.plugin import find_plugin, load_plugin

    loaded = [load_plugin(path) for path in given or ()]
    plugins = {plugin.kind: plugin for plugin in loaded}
    if len(plugins) < len(loaded):
        raise InputError(f"two plugins of one kind are given: {', '.join(str(path) for path in given or ())}; give one")
    strange = [plugin.kind for plugin in loaded if plugin.kind not in kinds]
    if strange:
        raise InputError(f"the log has no node of kind {strange[0]}; it has {', '.join(sorted(kinds)) or 'none'}")
    if not given:
        plugins = {kind: find_plugin(kind) for kind in sorted(kinds)}
    return plugins


def redecode(
    log: Annotated[Path, typer.Argument(help="A log that nobody writes.")],
    plugin: Annotated[list[Path] | None, typer.Option(help="A mended plugin's folder; may be repeated.")] = None,
) -> None:
    """Decode all that a log holds again by a mended plugin; raw bytes stay, the former plugin is kept."""
    from gateway.host.gc import settle_memory
    from gateway.log.reader import Log
    from gateway.log.redecode import redecode as redecode_log

    settle_memory()
    with Log(log) as opened, opened.damage_told():
        kinds = {node.kind for number in opened.run_ids() for node in opened.run(number).nodes}
    plugins = _plugins_of(kinds, plugin)
    with _progress(False) as bar:
        task = bar.add_task("decoding", total=None)
        done = redecode_log(log, plugins, lambda count, whole: bar.update(task, completed=count, total=whole))
    say(f"{done.frames} values of {log} decoded again, {done.faults} do not fit their layout")
    if done.left_alone:
        say(f"left as they were, no plugin given has them: {', '.join(done.left_alone)}")


def forward(
    log: Annotated[Path, typer.Argument(help="The log.")],
    runfile: Annotated[Path, typer.Argument(help="The run file whose [mqtt] names the broker.")],
) -> None:
    """Send what a broker has not taken yet of a log, and the verdicts of its newest run; Ctrl-C ends it."""
    import asyncio

    from gateway.app.review import verdicts_of
    from gateway.config import load_broker
    from gateway.mqtt.publish.drain import forward_log
    from gateway.report.machine import verdicts_by_node

    broker = load_broker(runfile).mqtt
    console = console_of()
    told = _Told(console)
    own = verdicts_by_node(*verdicts_of(log, None, None))
    with console.status(f"{broker.host}:{broker.port}") as status:

        def tell(text: str) -> None:
            status.update(text)
            told(text)

        frames = asyncio.run(forward_log(broker, log, own, tell))
    console.print(f"{frames} values sent; {broker.host}:{broker.port} has taken all that {log} holds", soft_wrap=True)


class _Told:
    """Tells what is wrong once, where the output is no terminal that shows it in place."""

    def __init__(self, console: Console) -> None:
        self._console, self._last = console, ""

    def __call__(self, text: str) -> None:
        if not self._console.is_terminal and text != self._last and not text.endswith("values sent"):
            self._console.print(text, soft_wrap=True)
            self._last = text


def merge(
    logs: Annotated[list[Path], typer.Argument(help="Logs to take runs from; they are only read.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="The log that takes them.")],
) -> None:
    """Put the runs of several logs into one; what is there already is not added again."""
    from rich.console import Console
    from rich.text import Text

    from gateway.log.merge import merge as merge_logs

    console = Console(stderr=True)
    with console.status("merging") as status:
        done = merge_logs(logs, output, lambda source: status.update(Text(f"merging {source}")))
    for one in done:
        say(f"{one.source}, run {one.run}: {one.what}, {one.frames} values")
