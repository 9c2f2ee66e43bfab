"""Commands on logs: judge, compare, show, export, redecode, merge."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.shared import (
    EXIT_FAIL,
    Force,
    Junit,
    Ltk,
    OnlyChannels,
    OnlyNodes,
    Run,
    Since,
    Until,
    console_of,
    duration_ns,
    exit_with,
    plain_table,
    say,
    share_of,
    show_skipped,
    show_verdicts,
    span_of,
    write_junit,
)
from gateway.model.errors import InputError
from gateway.model.units import unit_text
from gateway.model.utc import duration_text

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress

    from gateway.analysis.compare import Pair
    from gateway.analysis.contents import Contents, Newest, RunContents
    from gateway.app.judge import Comparison
    from gateway.app.logs import Verified
    from gateway.capture.summary import CaptureContents
    from gateway.export import Wanted

NEWEST = 20
_NAMED = 12  # figures in one line


def judge(
    log: Annotated[Path, typer.Argument(help="A log.")],
    spec: Annotated[Path | None, typer.Option(help="A run file whose spec to use instead of the log's own.")] = None,
    run: Run = None,
    junit: Junit = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, with the query that shows each figure.")] = False,
) -> None:
    """Judge a log again, against its own spec or another; exit 0 pass, 1 fail, 3 inconclusive."""
    from gateway.analysis.judge import CUT_OFF
    from gateway.app.judge import judge as judge_log
    from gateway.config import load_run
    from gateway.report.machine import verdicts_json, verdicts_junit

    judged = judge_log(log, run, load_run(spec) if spec else None)
    info, verdicts = judged.run, judged.verdicts
    write_junit(junit, lambda: verdicts_junit(info, verdicts), log, *([spec] if spec else []))
    if as_json:
        say(verdicts_json(info, verdicts))
        raise exit_with(judged.outcome)
    console = console_of()
    ended = info.ended_how if info.ended_ns is not None else CUT_OFF
    console.print(f"{info.title}, run {info.id} of {log}: {ended}\n", soft_wrap=True)
    show_verdicts(verdicts, console)
    if info.stalls:
        total_s = sum(to - start for start, to in info.stalls) / 1e9
        often = "once" if len(info.stalls) == 1 else f"{len(info.stalls)} times"
        console.print(
            f"\nThis machine stood still {often}, {duration_text(round(total_s, 1))} in all; gaps and "
            "losses across that are not counted as the node's",
            soft_wrap=True,
        )
    raise exit_with(judged.outcome)


def compare(
    before: Annotated[Path, typer.Argument(metavar="LOG_A", help="Log from before the change.")],
    after: Annotated[Path, typer.Argument(metavar="LOG_B", help="Log from after the change.")],
    run_a: Annotated[int | None, typer.Option("--run-a", min=1, help="Run of LOG_A; the newest by default.")] = None,
    run_b: Annotated[int | None, typer.Option("--run-b", min=1, help="Run of LOG_B; the newest by default.")] = None,
    span_a: Annotated[
        str | None, typer.Option("--span-a", help="Of run A only the time from this note to the next one.")
    ] = None,
    span_b: Annotated[str | None, typer.Option("--span-b", help="The same of run B.")] = None,
    everything: Annotated[bool, typer.Option("--all", help="Also the figures that did not change.")] = False,
    margin: Annotated[
        str | None,
        typer.Option(help="Show as well which figures are no worse by more than this, such as 10percent."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for scripts.")] = False,
) -> None:
    """Compare two runs, and show what changed beyond the uncertainty of both; exit 1 when something got worse."""
    from gateway.app.judge import compare as compare_logs
    from gateway.report.machine import comparison_json

    found = compare_logs(before, after, run_a, run_b, share_of("--margin", margin), span_a, span_b)
    if as_json:
        say(comparison_json(found.before, found.after, found.warnings, found.flips, found.pairs))
        raise typer.Exit(EXIT_FAIL if found.worse else 0)
    _print_comparison(found, before, after, everything, margin)
    raise typer.Exit(EXIT_FAIL if found.worse else 0)


def _print_comparison(found: Comparison, before: Path, after: Path, everything: bool, margin: str | None) -> None:
    """What differs, the verdicts first, then how many figures, and which are no worse by more than a margin."""
    from gateway.report.tables import flip_table, pair_table

    console = console_of()
    for letter, info, path in (("A", found.before, before), ("B", found.after, after)):
        console.print(
            f"{letter}: {info.title}, run {info.id} of {path}, {duration_text(round(info.lasted_s))}", soft_wrap=True
        )
    for line in found.warnings:
        console.print(f"warning: {line}", soft_wrap=True)
    if found.flips:
        console.print("\nverdicts that differ")
        console.print(flip_table(found.flips))
    shown = found.pairs if everything else found.changed
    if shown:
        console.print("\nfigures" if everything else "\nfigures that changed beyond their uncertainty")
        console.print(pair_table(shown))
    new = [pair for pair in found.pairs if pair.new and not pair.direction]
    if new:
        told = ", ".join(f"{p.node} {p.subject} {p.figure} {p.after.value:g}" for p in new if p.after and p.after.value)
        console.print(f"\nnone in A, but too few in B to tell a change: {told}", soft_wrap=True)
    worse = sum(pair.direction == "worse" for pair in found.changed)
    apart = sum(pair.change == "not comparable" for pair in found.pairs)
    turned = sum(flip.worse for flip in found.flips)
    also = f", and {turned} {'verdict' if turned == 1 else 'verdicts'} turned to FAIL" if turned else ""
    console.print(
        f"\n{len(found.changed)} of {len(found.pairs)} figures changed, {worse} of them for the worse{also}; {apart} "
        "have no bounds or counts to compare by"
        + ("" if everything else "; --all shows the others, and how small a change would be told"),
        soft_wrap=True,
    )
    if margin is not None:
        asked = [p for p in found.pairs if p.no_worse is not None and (p.no_worse or p.seen_from or _happened(p))]
        for is_shown in (True, False):
            named = [f"{p.node} {p.subject} {p.figure}" for p in asked if p.no_worse is is_shown]
            more = f" and {len(named) - _NAMED} more, in --json" if len(named) > _NAMED else ""
            what = "no worse by more than" if is_shown else "not shown to be no worse by more than"
            console.print(f"{what} {margin}: {', '.join(named[:_NAMED]) or 'none'}{more}", soft_wrap=True)


def _happened(pair: Pair) -> bool:
    """Whether anything was counted in either run."""
    return any(m is not None and m.value for m in (pair.before, pair.after))


def show(
    log: Annotated[Path, typer.Argument(help="A log, or a capture of a phone or a sniffer.")],
    channel: Annotated[str | None, typer.Option(help="Print the newest values of this channel instead.")] = None,
    node: Annotated[str | None, typer.Option(help="With --channel: only this node.")] = None,
    last: Annotated[int, typer.Option(min=1, max=100_000, help="With --channel: how many.")] = NEWEST,
    run: Annotated[int | None, typer.Option(min=1, help="With --channel: which run; the newest by default.")] = None,
    samples: Annotated[
        bool,
        typer.Option("--samples", help="With --channel: the samples inside its values, each with its value's fields."),
    ] = False,
    verify: Annotated[
        bool, typer.Option("--verify", help="Also check the whole file: damage, seals, columns.")
    ] = False,
    signer: Annotated[
        Path | None, typer.Option(help="With --verify: the public key (PEM) that must have signed every run.")
    ] = None,
    authority: Annotated[
        Path | None,
        typer.Option(help="With --verify: certificates (PEM) of the authority that must have stamped every run."),
    ] = None,
    ltk: Ltk = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for scripts.")] = False,
) -> None:
    """Show what a log holds: runs, nodes, channels, spans, counts, events; or print its newest values. Of a capture:
    its packets, the links in them, and what passed of each attribute."""
    import json
    from dataclasses import asdict

    from gateway.app.logs import contents, damage, newest
    from gateway.capture.summary import CaptureContents

    if channel is None and (node is not None or run is not None or last != NEWEST or samples):
        raise InputError("--node, --last, --run and --samples need --channel; specify the channel to print")
    console = console_of()
    if channel is not None:
        values = newest(log, channel, node, last, run, samples)
        if as_json:
            say(json.dumps([dict(zip(v.columns, row, strict=True)) for v in values for row in v.rows], indent=1))
        for one in values if not as_json else ():
            _print_rows(one, console)
        return
    found = contents(log, ltk)
    if isinstance(found, CaptureContents):
        if verify:
            raise InputError(f"--verify is for a log, and {log} is a capture")
        say(json.dumps(asdict(found), indent=1)) if as_json else _print_capture(found, console)
        return
    if (signer is not None or authority is not None) and not verify:
        raise InputError("--signer and --authority need --verify")
    verified = damage(log, signer, authority) if verify else None
    problems = verified.problems if verified is not None else []
    if as_json:
        seals = [asdict(one) for one in verified.seals] if verified is not None else []
        checked = (
            {"problems": problems, "seals": seals, "unchecked": list(verified.unchecked)}
            | {"stamps": [asdict(one) for one in verified.stamps]}
            if verified is not None
            else {}
        )
        say(json.dumps(asdict(found) | checked, indent=1))
    else:
        _print_contents(found, console)
        if verified is not None:
            _print_verified(verified, console)
    if problems:
        raise InputError("\n".join(problems))


def _print_verified(verified: Verified, console: Console) -> None:
    for sealed in verified.seals:
        behind = f", {sealed.unsealed} frames behind the last" if sealed.unsealed else ""
        head = sealed.head or "none"
        console.print(f"run {sealed.run}: seal {head}, {sealed.links} links{behind}", soft_wrap=True)
        for signed in sealed.signatures:
            former = "" if signed.head in sealed.same else ", over an earlier head"
            told = (
                f"signed {signed.utc}Z by {signed.key}{former}"
                if signed.good
                else f"signature of {signed.utc}Z is NOT good"
            )
            console.print(f"  {told}", soft_wrap=True)
        for line in sealed.trail:
            console.print(f"  {line}", soft_wrap=True, markup=False)
    for stamp in verified.stamps:
        by = ", by the authority given" if stamp.good else ", not checked for want of --authority"
        if not stamp.wrong:
            console.print(f"{stamp.file}: {stamp.head[:16]}… was there at {stamp.utc}Z{by}", soft_wrap=True)
    for line in verified.unchecked:
        console.print(f"not checked: {line}", soft_wrap=True, markup=False)
    sound = "no problems: SQLite's own check, the seals, and every value decoded again"
    console.print("what was found:" if verified.problems else sound, soft_wrap=True)


def _print_rows(found: Newest, console: Console) -> None:
    """The values as a table, or one below the other where the terminal is too narrow for their names."""
    if not found.rows:
        console.print("no values")
        return
    shown = [i for i, name in enumerate(found.names) if name != "fault" or any(row[i] for row in found.rows)]
    cells = [[_cell(row[i]) for i in shown] for row in found.rows]
    titles = [(found.names[i], unit_text(found.units[i])) for i in shown]
    widths = [max(map(len, (*titles[n], *(row[n] for row in cells)))) for n in range(len(shown))]
    if sum(widths) + 2 * len(widths) > console.width:
        names = [f"{name} {unit}".rstrip() for name, unit in titles]
        indent = max(map(len, names))
        for row in cells:
            console.print("\n".join(f"{name:<{indent}}  {text}" for name, text in zip(names, row, strict=True)) + "\n")
        return
    table = plain_table()
    for i, (name, unit) in zip(shown, titles, strict=True):
        text = i < 2 or name == "fault"
        table.add_column(f"{name}\n{unit}".rstrip(), justify="left" if text else "right", no_wrap=True)
    for row in cells:
        table.add_row(*row)
    console.print(table)


def _cell(value: object) -> str:
    return "-" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)


def _print_capture(found: CaptureContents, console: Console) -> None:
    kinds = ", ".join(f"{count} packets of {kind}" for kind, count in found.packets.items()) or "no packets"
    console.print(f"{found.path}: {kinds}, {found.first_utc} to {found.last_utc}", soft_wrap=True)
    for peer in found.peers:
        console.print(f"\n{peer.address} {peer.name}".rstrip(), soft_wrap=True, markup=False)
        for line in peer.events:
            console.print(f"  {line}", soft_wrap=True, markup=False)
        for what, count in peer.advertised.items():
            console.print(f"  advertised {count}x: {what}", soft_wrap=True, markup=False)
        if not peer.attributes:
            continue
        table = plain_table()
        for title in ("  handle", "UUID", "characteristic or descriptor", "what passed"):
            table.add_column(title, no_wrap=title == "UUID")
        for one in peer.attributes:
            passed = ", ".join(f"{count} {how}" for how, count in one.counts.items()) or "no value"
            table.add_row(f"  0x{one.handle:04X}", one.uuid or "not seen", one.name, passed)
        console.print(table)
    show_skipped(found.skipped, console)


def _print_contents(found: Contents, console: Console) -> None:
    console.print(
        f"{found.log}: {found.size_bytes / 1e6:.1f} MB, {len(found.runs)} run{'s' * (len(found.runs) != 1)}",
        soft_wrap=True,
    )
    for run in found.runs:
        _print_run(run, console)


def _print_run(run: RunContents, console: Console) -> None:
    planned = f" of {duration_text(run.planned_s)}" if run.planned_s is not None else ""
    console.print(
        f"\nrun {run.run}: {run.title}, {run.started_utc[:19]}Z, {duration_text(round(run.lasted_s))}{planned}, "
        f"{run.ended_how}; {run.radio} on {run.host}, {run.requirements} requirements",
        soft_wrap=True,
    )
    table = plain_table()
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
            table.add_row(first, channel.name, str(channel.frames), str(channel.decode_errors), *spans, missing)
            first = ""
    console.print(table)
    for node in run.nodes:
        events = ", ".join(f"{count} {kind}" for kind, count in node.events.items())
        console.print(f"{node.name}: {events or 'no events'}", soft_wrap=True)
        for reason, count in node.disconnects.items():
            console.print(f"  lost {count}x: {reason}", soft_wrap=True, markup=False)


class FormName(StrEnum):
    """The forms of an export."""

    csv = "csv"
    jsonl = "jsonl"
    parquet = "parquet"


def export(
    log: Annotated[Path, typer.Argument(help="A log.")],
    to: Annotated[FormName, typer.Option(help="File format.")] = FormName.csv,
    output: Annotated[str, typer.Option("--output", "-o", help="Folder for the files; - for standard output.")] = ".",
    run: Run = None,
    node: OnlyNodes = None,
    channel: OnlyChannels = None,
    since: Since = None,
    until: Until = None,
    rate: Annotated[
        str | None, typer.Option(help="Resample to intervals such as '1 s': mean, min, max, count.")
    ] = None,
    redecode: Annotated[
        bool, typer.Option("--redecode", help="Decode the raw bytes again instead of using the stored values.")
    ] = False,
    plugin: Annotated[
        list[Path] | None, typer.Option(help="With --redecode: a plugin's folder; may be repeated.")
    ] = None,
    force: Force = False,
) -> None:
    """Export a run's values for analysis, one file per channel, with units in the column names."""
    from gateway.app.logs import export as export_log
    from gateway.export import Wanted
    from gateway.host.files import make_folder

    if plugin and not redecode:
        raise InputError("--plugin needs --redecode; without it, the stored values are exported")
    folder = None if output == "-" else Path(output)
    if folder is not None:
        make_folder(folder, "-o")
    every_ns = duration_ns("--rate", rate) if rate else None
    span = span_of(since, until)

    def wanted(started_ns: int) -> Wanted:
        first, last = span(started_ns)
        bounds = (-(2**63) if first is None else first, 2**63 - 1 if last is None else last)
        return Wanted(node or (), channel or (), *bounds, every_ns)

    console = console_of()
    with _progress(folder is None) as bar:
        task = bar.add_task("writing", total=None)
        done = export_log(
            log, to.value, folder, wanted, run, redecode, plugin or (), force,
            lambda rows: bar.update(task, completed=rows),
        )  # fmt: skip
    for one in done if folder is not None else ():
        console.print(f"{one.rows} rows in {one.path}", soft_wrap=True)


def _progress(hidden: bool) -> Progress:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeElapsedColumn

    columns = BarColumn(), MofNCompleteColumn(), "rows", TimeElapsedColumn()
    console = Console(stderr=True)
    return Progress(*columns, console=console, transient=True, disable=hidden or not console.is_terminal)


def redecode(
    log: Annotated[Path, typer.Argument(help="A log that no run is writing.")],
    plugin: Annotated[list[Path] | None, typer.Option(help="A fixed plugin's folder; may be repeated.")] = None,
) -> None:
    """Decode everything in a log again with a fixed plugin; the raw bytes and the former plugin are kept."""
    from gateway.app.logs import redecode as redecode_log
    from gateway.report.tables import number

    with _progress(False) as bar:
        task = bar.add_task("decoding", total=None)
        done = redecode_log(log, plugin or (), lambda count, whole: bar.update(task, completed=count, total=whole))
    say(f"{done.frames} values of {log} decoded again, {done.faults} do not fit their layout")
    for change in done.changes:
        before, after = (number(mean) if mean is not None else "none" for mean in change.means)
        say(f"{change.column}: {change.count} values differ, on average {before} before and {after} now")
    for count, what in ((done.fit_now, "did not fit and now do"), (done.misfit_now, "fitted and no longer do")):
        if count:
            say(f"{count} payloads {what}")
    for channel, (had, has) in done.messages.items():
        say(f"{channel}: {had} messages before and {has} now, cut out of its frames anew")
    if done.changes or done.fit_now or done.misfit_now or done.messages:
        say(f"The change is an event of each run. Verdicts may differ: gattest judge {log}")
    elif done.frames:
        say("No value differs.")
    if done.left_alone:
        say(f"unchanged, not declared by any given plugin: {', '.join(done.left_alone)}")


def merge(
    logs: Annotated[list[Path], typer.Argument(help="Source logs; they are not modified.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="Target log.")],
) -> None:
    """Merge the runs of several logs into one; runs that are already in it are not added again."""
    from rich.console import Console
    from rich.text import Text

    from gateway.app.logs import merge as merge_logs

    with Console(stderr=True).status("merging") as status:
        done = merge_logs(logs, output, lambda source: status.update(Text(f"merging {source}")))
    for one in done:
        say(f"{one.source}, run {one.run}: {one.what}, {one.frames} values")
