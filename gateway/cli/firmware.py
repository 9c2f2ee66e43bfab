"""Commands that prove a node's firmware, or help to write it: audit, exercise, contract, twin."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.shared import (
    RadioName,
    console_of,
    duration_ns,
    exit_code,
    file_name,
    make_folder,
    refuse_same,
    say,
    show_troubles,
    write_file,
)
from gateway.model.errors import InputError

LONGEST_NAME = 26  # bytes: an advertisement holds 31, flags take 3 and the name's head 2


def audit(
    node: Annotated[str, typer.Argument(metavar="NODE", help="Its name or address on the air; or a capture or a log.")],
    plugin: Annotated[str | None, typer.Option(help="What it is declared to be: a plugin's name or folder.")] = None,
    only: Annotated[str | None, typer.Option("--node", help="Of a capture or a log: which node.")] = None,
    radio: Annotated[
        RadioName, typer.Option(help="Which radio; virtual audits a simulated node of the plugin.")
    ] = RadioName.system,
    seconds: Annotated[float, typer.Option(min=0.5, max=600, help="How long to listen.")] = 5.0,
    junit: Annotated[Path | None, typer.Option(help="Write JUnit XML for a test server as well.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, every rule with its findings.")] = False,
) -> None:
    """Hold a node's GATT table against the rules of Bluetooth and its plugin; exit 0 pass, 1 fail, 3 not all seen."""
    import asyncio

    from gateway.app.verify import audit_capture, audit_live, audit_log, audit_text
    from gateway.model.records import Outcome
    from gateway.plugin import find_plugin
    from gateway.report.firmware import audit_lines, audits_json, audits_junit

    declared = find_plugin(plugin) if plugin is not None else None
    troubles: list[str] = []
    path = Path(node)
    if junit is not None:
        refuse_same(junit, path)
    if not path.is_file():
        if only is not None:
            raise InputError(f"--node goes with a capture or a log, and there is no file {node}")
        audits = [asyncio.run(audit_live(node, declared, radio.value, seconds))]
    elif (beginning := path.open("rb").read(16)) == b"SQLite format 3\0":
        audits = audit_log(path, declared, only)
    elif beginning.startswith(b"# gattest") or path.suffix in (".gz", ".zst"):
        audits = audit_text(path, declared, only)
    else:
        audits, troubles = audit_capture(path, declared, only)
    if junit is not None:
        write_file(junit, audits_junit(audits))
    if as_json:
        say(audits_json(audits))
    else:
        console = console_of()
        for one in audits:
            for line in audit_lines(one):
                console.print(line, soft_wrap=True)
        show_troubles(troubles, console)
    outcomes = [one.outcome for one in audits]
    worst = next((o for o in (Outcome.FAIL, Outcome.INCONCLUSIVE) if o in outcomes), Outcome.PASS)
    raise typer.Exit(exit_code(worst))


def exercise(
    node: Annotated[str, typer.Argument(metavar="NODE", help="Its name or address on the air.")],
    plugin: Annotated[str, typer.Option(help="What it is declared to be: a plugin's name or folder.")],
    only: Annotated[list[str] | None, typer.Option(metavar="SENSOR", help="Only this sensor; repeat for more.")] = None,
    plan: Annotated[bool, typer.Option("--plan", help="Show what would be tried, and end.")] = False,
    patience: Annotated[str, typer.Option(metavar="DURATION", help="The longest a step may take.")] = "1 min",
    into: Annotated[Path | None, typer.Option(help="The log; NODE-exercise.db here by default.")] = None,
    resume: Annotated[bool, typer.Option("--resume", help="Go on with the exercise that this log holds.")] = False,
    radio: Annotated[
        RadioName, typer.Option(help="Which radio; virtual exercises a simulated node of the plugin.")
    ] = RadioName.system,
    junit: Annotated[Path | None, typer.Option(help="Write JUnit XML for a test server as well.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, every step with its verdict.")] = False,
) -> None:
    """Switch and pace each sensor of a node as declared, alone and in pairs; exit 0 pass, 1 fail, 3 not told."""
    import asyncio

    from gateway.app.verify import exercise_node
    from gateway.plugin import find_plugin
    from gateway.report.firmware import exercise_json, exercise_junit, exercise_line, plan_lines, step_lines
    from gateway.verify.exercise import Tried, outcome_of, plan_for

    declared = find_plugin(plugin)
    steps = plan_for(declared, only or ())
    patience_s = duration_ns("--patience", patience) / 1e9
    log = into or Path(f"{file_name(node)}-exercise.db")
    if junit is not None:
        refuse_same(junit, log)
    console = console_of()
    if plan:
        for line in plan_lines(steps, patience_s):
            console.print(line, soft_wrap=True)
        return

    def told(tried: Tried) -> None:
        for line in () if as_json else step_lines(tried):
            console.print(line, soft_wrap=True)

    if not as_json:
        *_, whole = plan_lines(steps, patience_s)
        console.print(whole, soft_wrap=True)
    trial = asyncio.run(exercise_node(node, declared, radio.value, steps, log, patience_s, resume, told))
    run, tried = trial.run, trial.tried
    if junit is not None:
        write_file(junit, exercise_junit(node, tried))
    if as_json:
        say(exercise_json(node, log, run, tried))
    else:
        console.print(exercise_line(node, tried), soft_wrap=True)
        console.print(f"Everything written and heard is in {log}, run {run}.", soft_wrap=True)
    if trial.left:
        print(f"gattest: {trial.left}", file=sys.stderr)  # noqa: T201
    raise typer.Exit(exit_code(outcome_of(tried)))


class ContractForm(StrEnum):
    """What a contract is written as."""

    c = "c"
    markdown = "markdown"
    json = "json"


def contract(
    plugin: Annotated[str, typer.Argument(help="A plugin's name or folder.")],
    form: Annotated[ContractForm, typer.Option("--as", help="C for the firmware, a table for people, JSON.")],
    output: Annotated[Path | None, typer.Option("--output", "-o", help="Folder; standard output by default.")] = None,
) -> None:
    """Write what a plugin declares for the firmware, for those who write an app, or for machines."""
    from gateway.plugin import find_plugin
    from gateway.plugin.contract import c_files, markdown, schema

    declared = find_plugin(plugin)
    if form is ContractForm.c:
        files = c_files(declared)
    elif form is ContractForm.markdown:
        files = {f"{declared.kind}.md": markdown(declared)}
    else:
        files = {f"{declared.kind}.json": schema(declared) + "\n"}
    if output is None:
        say("\n".join(files.values()).rstrip("\n"))
        return
    make_folder(output, "-o")
    for name, text in files.items():
        write_file(output / name, text)
        say(f"{output / name}")


def twin(
    plugin: Annotated[str, typer.Argument(help="A plugin's name or folder.")],
    controller: Annotated[str, typer.Option(help="A controller that speaks HCI: usb:0, serial:/dev/ttyACM0,1000000.")],
    name: Annotated[str | None, typer.Option(help="What it advertises; the kind in capitals by default.")] = None,
    fault: Annotated[list[str] | None, typer.Option(help="What its firmware does wrong; '?' lists that.")] = None,
) -> None:
    """Put a simulated node on the air, for those who begin an app before there is a board; Ctrl-C ends it."""
    import asyncio

    from gateway.app.verify import serve
    from gateway.config import FIRMWARE_FAULTS
    from gateway.plugin import find_plugin

    declared = find_plugin(plugin)
    for one in fault or ():
        if one == "?":
            say("\n".join(f"{key}: {meaning}" for key, meaning in FIRMWARE_FAULTS.items()))
            return
        if one not in FIRMWARE_FAULTS:
            raise InputError(f"--fault {one!r}: one of {', '.join(FIRMWARE_FAULTS)}")
    called = name if name is not None else declared.kind.upper()
    if not 1 <= len(called.encode()) <= LONGEST_NAME:
        raise InputError(f"--name {called!r}: 1 to {LONGEST_NAME} bytes fit an advertisement")
    asyncio.run(serve(declared, called, controller, say, fault or ()))
