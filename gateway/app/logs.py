"""What can be done with a log as a file: see what it holds, take its values out, decode it again, merge it with
others."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from gateway.analysis.contents import Contents, Newest
from gateway.analysis.contents import contents as contents_of
from gateway.analysis.contents import newest as newest_of
from gateway.analysis.measure.statistics import plugin_of
from gateway.capture.cipher import read_keys
from gateway.capture.containers import is_foreign
from gateway.capture.streams import check_streams
from gateway.capture.summary import CaptureContents, capture_contents
from gateway.export import Exported, Form, Wanted
from gateway.export import export as export_run
from gateway.host.gc import freeze_gc
from gateway.host.keys import fingerprint, load_public_key
from gateway.log.merge import Merged
from gateway.log.merge import merge as merge_logs
from gateway.log.notes import notes_path, notes_that_differ, unsealed_notes
from gateway.log.reader import Log
from gateway.log.redecode import Redecoded
from gateway.log.redecode import redecode as redecode_log
from gateway.log.schema import quoted
from gateway.log.seal import Checked
from gateway.log.stamp import Stamp, stamps_of
from gateway.log.verify import columns_that_differ, heads_of, seals_of
from gateway.model.errors import InputError, LogFileError, ProblemsError
from gateway.plugin import Plugin, find_plugin, load_plugin
from gateway.plugin.find import plugin_folders


def _ignore(*_: object) -> None:
    """Progress that nobody looks at."""


def contents(log: Path, ltk: Path | None = None) -> Contents | CaptureContents:
    """What a log holds: its runs, their nodes and channels, spans, counts and events; of a phone's or a sniffer's
    capture its packets, links and attributes.

    Args:
        ltk: a file of long term keys, for links in a capture that are encrypted.

    Raises:
        LogFileError: the log can't be used.
        InputError: the capture can't be read.
    """
    if log.is_file() and is_foreign(log):
        return capture_contents(log, read_keys(ltk) if ltk is not None else ())
    with Log(log) as opened, opened.damage_reported():
        return contents_of(opened)


def newest(
    log: Path, channel: str, node: str | None = None, count: int = 20, run: int | None = None, samples: bool = False
) -> list[Newest]:
    """The last values of a channel, a table for each kind of node that has one of that name; or the last samples inside
    its values, each with the fields of its value.

    Raises:
        LogFileError: the log can't be used.
        InputError: the run has no such channel or node.
    """
    with Log(log) as opened, opened.damage_reported():
        return newest_of(opened, opened.run(run), channel, node, count, samples)


@dataclass(frozen=True, slots=True)
class Verified:
    """What came of checking a log.

    Attributes:
        problems: everything that is wrong with it, [] for a sound one.
        seals: of each run.
        unchecked: what could not be checked, and why.
        stamps: of time stamp authorities, beside the log.
    """

    problems: list[str]
    seals: list[Checked]
    unchecked: Sequence[str] = ()
    stamps: Sequence[Stamp] = ()


def damage(log: Path, signer: Path | None = None, authority: Path | None = None) -> Verified:
    """Check a log: SQLite's own check of the whole file, the seal of each run worked out again with its signatures, and
    every payload decoded again and held against its columns.

    Args:
        signer: a file with the public key that must have signed the newest head of every run; None for any or none.
        authority: a file with the certificates of the time stamp authority that must have stamped them; None for any or
            none.

    Raises:
        LogFileError: the log can't be used.
    """
    wanted = fingerprint(load_public_key(signer)) if signer is not None else None
    with Log(log) as opened, opened.damage_reported():
        problems = opened.problems()
    if problems:
        return Verified(problems, [])
    seals: list[Checked] = []
    try:
        seals = seals_of(log)
    except LogFileError as error:
        problems.append(str(error))
    problems += [f"run {one.run}: {line}" for one in seals for line in one.wrong]
    unchecked: list[str] = []
    if wanted is not None and not seals:
        problems.append("there is no run that could be signed")
    if wanted is not None:
        problems += [
            f"run {one.run}: its seal is not signed by {wanted}, the key in {signer}"
            for one in seals
            if not any(s.key == wanted and s.good and s.head in one.same for s in one.signatures)
        ]
    stamps: list[Stamp] = []
    try:
        stamps += stamps_of(log, heads_of(log), authority)
    except InputError as error:
        if authority is not None:
            raise
        unchecked.append(str(error))
    problems += [f"{one.file} {one.wrong}" for one in stamps if one.wrong]
    if authority is not None:
        stamped = {one.head for one in stamps if one.good}
        problems += [
            f"run {one.run}: its newest head has no time stamp of the authority in {authority}"
            for one in seals
            if stamped.isdisjoint(one.same)
        ]
    attested: set[str] | None = None
    if wanted is not None:
        attested = {s.head for one in seals for s in one.signatures if s.key == wanted and s.good}
    if authority is not None:
        attested = {one.head for one in stamps if one.good} & (attested if attested is not None else heads_of(log))
    for line, wrong in _of_notes(log, seals, attested):
        (problems if wrong else unchecked).append(line)
    found = list(columns_that_differ(log, _with_its_keys))
    problems += [one.text for one in found if one.wrong]
    return Verified(problems, seals, [*unchecked, *(one.text for one in found if not one.wrong)], stamps)


def _of_notes(log: Path, seals: Sequence[Checked], attested: Collection[str] | None) -> Iterator[tuple[str, bool]]:
    """What is to be said of the notes of a log, and whether that is wrong.

    Args:
        attested: the heads that were signed or stamped, where that was asked for: what was sealed later may be of
            anybody.
    """
    sealed = set().union(*(one.notes_until(None) for one in seals))
    if sealed and not notes_path(log).exists():
        yield f"{len(sealed)} notes were sealed, and {notes_path(log)} is not there", attested is not None
        return
    for line in notes_that_differ(log, sealed):
        yield line, True
    held = sealed if attested is None else set().union(*(one.notes_until(attested) for one in seals))
    if bare := unsealed_notes(log, held):
        by = "no seal holds" if attested is None else "no seal holds that is signed or stamped"
        yield f"notes that {by}: {bare}", False


def _with_its_keys(kind: str, text: str) -> Plugin | None:
    """A plugin of a log; the one that is found by its name, where that is the same, as key files stand beside it."""
    with suppress(InputError):
        if kind in plugin_folders() and (found := find_plugin(kind)).text == text:
            return found
    return plugin_of(kind, text)


@dataclass(frozen=True, slots=True)
class Table:
    """The values of a channel as arrays of one length, ready for a data frame.

    Attributes:
        columns: by name: ``utc`` as datetime64[ns], each field as numbers (NaN for no reading) or texts.
        units: of each column that has one.
    """

    columns: Mapping[str, npt.NDArray[Any]]
    units: Mapping[str, str]


def table(log: Path, node: str, channel: str, run: int | None = None, samples: bool = False) -> Table:
    """A channel of a node in columns.

    Args:
        run: its number, the newest by default.
        samples: the samples inside each value instead of the values, each with its own time.

    Raises:
        LogFileError: the log can't be used.
        InputError: the run has no such node or channel, or the channel no samples.
    """
    with Log(log) as opened, opened.damage_reported():
        info = opened.run(run)
        (owner,) = info.chosen([node], [channel])
        one = next(one for one in owner.channels if one.name == channel)
        if samples and one.samples is None:
            raise InputError(f"{channel} of {node} has no samples; remove samples")
        fields = one.sample_fields if samples else one.fields
        names = ", ".join(["t_ns", *(quoted(field.column) for field in fields)])
        if samples:
            chunks = opened.sample_values(info, owner, one, names)
        else:
            chunks = opened.rows(info, owner, one.relation, names)
        rows = [row for chunk in chunks for row in chunk]
    columns: dict[str, npt.NDArray[Any]] = {"utc": np.array([row[0] for row in rows], "datetime64[ns]")}
    for place, field in enumerate(fields, 1):
        values = [row[place] for row in rows]
        text = any(isinstance(value, str) for value in values)
        columns[field.name] = np.array(values, object) if text else np.array(values, float)
    return Table(columns, {field.name: field.unit for field in fields if field.unit})


def plugins_of(kinds: Collection[str], given: Sequence[Path] = ()) -> dict[str, Plugin]:
    """Plugins by kind: those given, or else those that are found by name.

    Raises:
        InputError: two of one kind are given, one of a kind that is not wanted, or one is not found.
    """
    loaded = [load_plugin(path) for path in given]
    plugins = {plugin.kind: plugin for plugin in loaded}
    if len(plugins) < len(loaded):
        raise InputError(f"two plugins of the same kind were given: {', '.join(map(str, given))}; use one")
    strange = [plugin.kind for plugin in loaded if plugin.kind not in kinds]
    if strange:
        raise InputError(f"the log has no node of kind {strange[0]}; it has {', '.join(sorted(kinds)) or 'none'}")
    return plugins or {kind: find_plugin(kind) for kind in sorted(kinds)}


def export(
    log: Path,
    form: Form,
    folder: Path | None,
    wanted: Callable[[int], Wanted],
    run: int | None = None,
    redecode: bool = False,
    plugins: Sequence[Path] = (),
    force: bool = False,
    on_progress: Callable[[int], None] = _ignore,
) -> list[Exported]:
    """Write a run's values for analysis, a file for each channel.

    Args:
        form: of the files: csv, jsonl or parquet.
        folder: where to; None for standard output, which takes one channel.
        wanted: what of the run, given its start in nanoseconds UTC.
        redecode: decode the raw bytes by ``plugins`` (or those found by name) instead of taking the values.
        force: overwrite files that are there.
        on_progress: called now and then with the rows written.

    Raises:
        LogFileError: the log can't be used.
        InputError: nothing of that name, a file exists or can't be written.
    """
    freeze_gc()
    with Log(log) as opened, opened.damage_reported():
        info = opened.run(run)
        by_kind = plugins_of({node.kind for node in info.nodes}, plugins) if redecode else {}
        return export_run(opened, info, form, folder, wanted(info.started_ns), by_kind, on_progress, force)


def redecode(log: Path, plugins: Sequence[Path] = (), on_progress: Callable[[int, int], None] = _ignore) -> Redecoded:
    """Decode all that a log holds again; the raw bytes stay, and so does the former plugin text.

    Args:
        plugins: folders of the plugins to decode by; those found by name by default.
        on_progress: called with the frames done and the frames to do.

    Raises:
        LogFileError: the log can't be used; then nothing was changed.
        InputError: a plugin can't be used, or its recorded streams do not decode as they should.
    """
    freeze_gc()
    with Log(log) as opened, opened.damage_reported():
        kinds = {node.kind for number in opened.run_ids() for node in opened.run(number).nodes}
    chosen = plugins_of(kinds, plugins)
    wrong = [problem for plugin in chosen.values() for problem in check_streams(plugin)[1] if problem.fatal]
    if wrong:
        raise ProblemsError(wrong)
    return redecode_log(log, chosen, on_progress)


def merge(logs: Sequence[Path], output: Path, on_source: Callable[[Path], None] = _ignore) -> list[Merged]:
    """Put the runs of several logs into one; what is there already is not added again.

    Raises:
        LogFileError: one can't be read or the target written; then nothing of that source was added.
    """
    return merge_logs(logs, output, on_source)
