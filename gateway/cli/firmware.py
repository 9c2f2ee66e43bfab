"""Commands that prove a node's firmware, or help to write it: audit, exercise, contract, twin."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

import typer

from gateway.cli.shared import (
    Faults,
    Force,
    Junit,
    Ltk,
    console_of,
    duration_ns,
    exit_with,
    file_name,
    firmware_faults,
    listed,
    report_problem,
    say,
    show_skipped,
    write_junit,
)
from gateway.model.radios import RadioName
from gateway.model.records import overall


def audit(
    node: Annotated[str, typer.Argument(metavar="NODE", help="Advertised name or address; or a capture or a log.")],
    plugin: Annotated[str | None, typer.Option(help="The node's plugin, by name or folder.")] = None,
    only: Annotated[str | None, typer.Option("--node", help="Which node of a capture or a log.")] = None,
    radio: Annotated[
        RadioName, typer.Option(help="Which radio; virtual audits a node simulated from the plugin.")
    ] = RadioName.SYSTEM,
    seconds: Annotated[float, typer.Option(min=0.5, max=600, help="Seconds to listen.")] = 5.0,
    ltk: Ltk = None,
    junit: Junit = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, every rule with its findings.")] = False,
) -> None:
    """Check a node's GATT table against the Bluetooth rules and its plugin; exit 0 pass, 1 fail, 3 inconclusive."""
    import asyncio

    from gateway.app.verify.audit import audit as audit_node
    from gateway.plugin import find_plugin
    from gateway.report.firmware import audit_lines, audits_json, audits_junit

    declared = find_plugin(plugin) if plugin is not None else None
    audits, skipped = asyncio.run(audit_node(node, declared, radio, seconds, only, ltk))
    write_junit(junit, lambda: audits_junit(audits), Path(node))
    if as_json:
        say(audits_json(audits))
    else:
        console = console_of()
        for one in audits:
            for line in audit_lines(one):
                console.print(line, soft_wrap=True)
        show_skipped(skipped, console)
    raise exit_with(overall(one.outcome for one in audits))


def exercise(
    node: Annotated[str, typer.Argument(metavar="NODE", help="Advertised name or address.")],
    plugin: Annotated[str, typer.Option(help="The node's plugin, by name or folder.")],
    only: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="Only this sensor or setting; may be repeated.")
    ] = None,
    plan: Annotated[bool, typer.Option("--plan", help="Show the planned steps and exit.")] = False,
    patience: Annotated[str, typer.Option(metavar="DURATION", help="Skip steps that take longer than this.")] = "1 min",
    into: Annotated[Path | None, typer.Option(help="Log file; NODE-exercise.db by default.")] = None,
    resume: Annotated[bool, typer.Option("--resume", help="Resume the exercise in this log.")] = False,
    radio: Annotated[
        RadioName, typer.Option(help="Which radio; virtual exercises a node simulated from the plugin.")
    ] = RadioName.SYSTEM,
    fault: Faults = None,
    junit: Junit = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, every step with its verdict.")] = False,
) -> None:
    """Switch each sensor and set its period as declared, alone and in pairs; exit 0 pass, 1 fail, 3 inconclusive."""
    import asyncio

    from gateway.app.verify.exercise import exercise as exercise_node
    from gateway.plugin import find_plugin
    from gateway.report.firmware import exercise_json, exercise_junit, exercise_line, plan_lines, step_lines
    from gateway.verify.exercise import Tried, plan_for

    if listed(fault):
        return
    declared = find_plugin(plugin)
    faults = firmware_faults(fault, radio)
    steps = plan_for(declared, only or ())
    patience_s = duration_ns("--patience", patience) / 1e9
    log = into or Path(f"{file_name(node)}-exercise.db")
    console = console_of()
    lines = list(plan_lines(steps, patience_s))
    for line in lines if plan else () if as_json else lines[-1:]:
        console.print(line, soft_wrap=True)
    if plan:
        return

    def show(tried: Tried) -> None:
        for line in () if as_json else step_lines(tried):
            console.print(line, soft_wrap=True)

    done = asyncio.run(exercise_node(node, declared, radio, steps, log, patience_s, resume, show, faults=faults))
    write_junit(junit, lambda: exercise_junit(node, done.tried), log)
    if as_json:
        say(exercise_json(node, log, done.run, done.tried))
    else:
        console.print(exercise_line(node, done.tried), soft_wrap=True)
        console.print(f"Everything written and received is in {log}, run {done.run}.", soft_wrap=True)
    if done.left:
        report_problem(done.left)
    raise exit_with(overall(one.outcome for one in done.tried))


class ContractForm(StrEnum):
    """The formats of a contract."""

    c = "c"
    markdown = "markdown"
    md = "md"
    json = "json"


def contract(
    plugin: Annotated[str, typer.Argument(help="A plugin's name or folder.")],
    form: Annotated[ContractForm, typer.Option("--as", help="C for firmware, Markdown for people, JSON for tools.")],
    output: Annotated[Path | None, typer.Option("--output", "-o", help="Folder; standard output by default.")] = None,
    force: Force = False,
) -> None:
    """Export what a plugin declares, for the firmware, for app developers or for tools."""
    from gateway.app.contract import contract as contract_of
    from gateway.app.contract import write_contract
    from gateway.plugin import find_plugin

    declared = find_plugin(plugin)
    wanted: Literal["c", "markdown", "json"] = (
        "c" if form is ContractForm.c else "json" if form is ContractForm.json else "markdown"
    )
    if output is None:
        say("\n".join(contract_of(declared, wanted).values()).rstrip("\n"))
        return
    for path in write_contract(declared, wanted, output, force):
        say(path)


def twin(
    plugin: Annotated[str, typer.Argument(help="A plugin's name or folder.")],
    controller: Annotated[str, typer.Option(help="HCI controller, such as usb:0 or serial:/dev/ttyACM0,1000000.")] = "",
    name: Annotated[str | None, typer.Option(help="Advertised name; the kind in capitals by default.")] = None,
    fault: Faults = None,
) -> None:
    """Put a simulated node on the air, to develop an app before there is hardware; Ctrl-C stops it."""
    import asyncio

    from gateway.app.serve import serve
    from gateway.plugin import find_plugin

    if listed(fault):
        return
    if not controller:
        raise typer.BadParameter("missing; for example --controller usb:0", param_hint="--controller")
    asyncio.run(serve(find_plugin(plugin), controller, say, name, fault or ()))
