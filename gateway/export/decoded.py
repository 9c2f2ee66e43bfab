"""Values decoded from a log's raw bytes by a plugin, straight to a file, without touching the log."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from gateway.export.sinks import Batch, Column, ColumnKind, Masked, Values
from gateway.export.tables import Wanted
from gateway.log.info import ChannelInfo, NodeInfo, RunInfo
from gateway.log.reader import Log
from gateway.log.table import sql_type
from gateway.log.timeline import Timeline
from gateway.model.errors import InputError
from gateway.model.units import parse_unit
from gateway.plugin import Characteristic, Plugin
from gateway.plugin.derive import derive_part
from gateway.plugin.layout.columns import Cut, Decoded, Part, decode_columns
from gateway.plugin.layout.model import Field
from gateway.plugin.model import Derived

_KINDS: Mapping[type, ColumnKind] = {int: "integer", float: "real", str: "text"}


class DecodedTable:
    """One file's rows: a channel's values as a plugin decodes them, or those of its samples."""

    def __init__(
        self,
        log: Log,
        run: RunInfo,
        nodes: Sequence[NodeInfo],
        channel: ChannelInfo,
        plugin: Plugin,
        item: Characteristic,
        wanted: Wanted,
        samples: bool,
    ) -> None:
        if wanted.every_ns is not None:
            raise InputError("--redecode and --rate can't be combined; run gattest redecode on the log first")
        self.channel, self.relation = channel, f"{channel.relation}_sample" if samples else channel.relation
        self._log, self._run, self._nodes, self._wanted = log, run, nodes, wanted
        self._plugin, self._item, self._samples = plugin, item, samples
        group = item.layout.samples
        self._fields = group.fields if samples and group else item.layout.fields
        self._derived = [d for d in item.derived if d.in_samples == samples]
        values = [Column(f.column, _kind(f), f.unit.symbol) for f in self._fields]
        values += [Column(d.column, "real", d.unit.symbol) for d in self._derived]
        head = [Column("utc", "time"), Column("node", "text")]
        self._beside: list[Field] = []  # of a sample: the fields and derived values of the frame it came in
        self._beside_derived: list[Derived] = []
        if samples:
            taken = {column.name for column in values}
            self._beside = [f for f in item.layout.fields if f.column not in taken]
            self._beside_derived = [d for d in item.derived if not d.in_samples and d.column not in taken]
            values += [Column(f.column, _kind(f), f.unit.symbol) for f in self._beside]
            values += [Column(d.column, "real", d.unit.symbol) for d in self._beside_derived]
            self.columns = [*head, Column("frame", "integer"), Column("position", "integer"), *values]
        else:
            self.columns = [*head, *values, Column("raw", "bytes"), Column("fault", "text")]

    def batches(self) -> Iterator[Batch]:
        """Its rows, column by column, node after node."""
        low, high = self._wanted.since_ns, self._wanted.until_ns
        for node in self._nodes:
            timeline, refused = self._constants(node), self._refused(node)
            for chunk in self._chunks(node):
                kept = [row for row in chunk if low <= row[1] <= high] if (low, high) != _ALWAYS else chunk
                if not kept:
                    continue
                ids, times, raws, heard = zip(*kept, strict=True)
                for part, constants in timeline.parts(node.id, heard):
                    batch = self._batch(node.name, ids[part], times[part], raws[part], constants)
                    yield self._without(batch, ids[part], refused) if refused else batch

    def _refused(self, node: NodeInfo) -> Mapping[int, str]:
        """Why frames did not become part of the messages in them."""
        if self._samples or self._item.within or self._item.step is None:
            return {}
        return self._log.misfits(self._run, node, self._plugin, self.channel.name)

    @staticmethod
    def _without(batch: Batch, ids: Sequence[int], refused: Mapping[int, str]) -> Batch:
        """A batch whose values that were refused are told as such, without columns."""
        times, names, *values, raws, before = batch
        faults = before.to_list() if isinstance(before, Masked) else before
        told = [refused.get(number, fault) for number, fault in zip(ids, faults, strict=True)]
        none = np.array([number in refused for number in ids])
        blank = [Masked(one.values, one.missing | none) if isinstance(one, Masked) else one for one in values]
        return [times, names, *blank, raws, told]

    def _chunks(self, node: NodeInfo) -> Iterator[list[tuple[Any, ...]]]:
        """Frames: id, time and bytes of each, and the frame it came with; messages have a number of their own."""
        if self._item.within:
            return self._log.messages(self._run, node, self._plugin, self.channel.name)
        return self._log.rows(self._run, node, self.channel.relation, "id, t_ns, raw, id")

    def _constants(self, node: NodeInfo) -> Timeline:
        timeline = Timeline()
        relations = {channel.name: channel.relation for channel in node.channels}
        for name in self._plugin.constants:
            codec = self._plugin.characteristics[name].codec
            if name in relations:
                for chunk in self._log.rows(self._run, node, relations[name], "id, raw"):
                    for frame, raw in chunk:
                        timeline.add(node.id, frame, name, raw, codec)
        return timeline

    def _batch(
        self,
        node: str,
        ids: Sequence[int],
        times: Sequence[int],
        raws: Sequence[bytes],
        constants: Mapping[str, Mapping[str, float]],
    ) -> Batch:
        decoded = decode_columns(self._item.layout, raws)
        if self._samples:
            return self._sample_batch(node, ids, times, decoded, constants)
        count = len(raws)
        values: list[Values] = [
            self._merged(count, f.name, column, decoded)
            for f, column in zip(self._fields, self.columns[2:], strict=False)
        ]
        for derived in self._derived:
            column = np.full(count, np.nan)
            for part in decoded.parts:
                column[part.positions] = derive_part(derived, part, constants)
            values.append(Masked(column, np.isnan(column)))
        faults = [decoded.faults.get(i) for i in range(count)] if decoded.faults else [None] * count
        return [times, [node] * count, *values, raws, faults]

    @staticmethod
    def _merged(count: int, name: str, column: Column, decoded: Decoded) -> Masked:
        """A field of all payloads, put together from the parts that have it."""
        whole = [part for part in decoded.parts if len(part.positions) == count and name in part.fields]
        if whole:
            return _masked(whole[0].fields[name], column)
        values: npt.NDArray[Any] = np.zeros(count, _DTYPES[column.kind])
        missing = np.ones(count, bool)
        for part in decoded.parts:
            cut = part.fields.get(name)
            if cut is not None:
                own = _masked(cut, column)
                values[part.positions], missing[part.positions] = own.values, own.missing
        return Masked(values, missing)

    def _beside_of(
        self, part: Part, columns: Sequence[Column], constants: Mapping[str, Mapping[str, float]]
    ) -> Iterator[Masked]:
        """What each sample's frame holds besides, once for every sample."""
        n = len(part.positions)
        for field, column in zip(self._beside, columns, strict=False):
            cut = part.fields.get(field.name)
            own = (
                _masked(cut, column) if cut is not None else Masked(np.zeros(n, _DTYPES[column.kind]), np.ones(n, bool))
            )
            yield Masked(np.repeat(own.values, part.count), np.repeat(own.missing, part.count))
        for derived in self._beside_derived:
            values = np.repeat(derive_part(derived, part, constants), part.count)
            yield Masked(values, np.isnan(values))

    def _sample_batch(
        self,
        node: str,
        ids: Sequence[int],
        times: Sequence[int],
        decoded: Decoded,
        constants: Mapping[str, Mapping[str, float]],
    ) -> Batch:
        group = self._item.layout.samples
        every_ns = (group.every_ns or 0) if group else 0
        frames, stamps = np.array(ids, np.int64), np.array(times, np.int64)
        heads: list[npt.NDArray[np.int64]] = []
        columns: list[list[Masked]] = []
        for part in decoded.parts:
            if not part.count:
                continue
            position = np.tile(np.arange(part.count), len(part.positions))
            owner, moment = (np.repeat(source[part.positions], part.count) for source in (frames, stamps))
            before_ns = (part.count - 1 - position) * every_ns
            if group is not None and group.stamp is not None:
                before_ns = _before_newest_ns(part.samples[group.stamp.name], part.count)
            heads.append(np.stack([moment - before_ns, owner, position]))
            own = [_masked(part.samples[f.name], c) for f, c in zip(self._fields, self.columns[4:], strict=False)]
            own += [Masked(v, np.isnan(v)) for v in (derive_part(d, part, constants) for d in self._derived)]
            own += self._beside_of(part, self.columns[4 + len(own) :], constants)
            columns.append(own)
        if not heads:
            return [[], [], [], [], *([] for _ in self.columns[4:])]
        beginnings = np.concatenate(heads, axis=1)
        order = np.lexsort((beginnings[2], beginnings[1]))  # payloads of other lengths were decoded after each other
        moments, owners, positions = beginnings[:, order].tolist()
        joined = [
            Masked(np.concatenate([c.values for c in cuts])[order], np.concatenate([c.missing for c in cuts])[order])
            for cuts in zip(*columns, strict=True)
        ]
        return [moments, [node] * len(moments), owners, positions, *joined]


_ALWAYS = (-(2**63), 2**63 - 1)
_DTYPES: Mapping[ColumnKind, Any] = {"integer": np.int64, "real": np.float64, "text": object}


def _kind(f: Field) -> ColumnKind:
    """What a field's values are; integers that SQLite could not hold count as real, as in the log."""
    kind = _KINDS[sql_type(f)]
    scale = f.scale.num if f.scale else 1
    return "real" if kind == "integer" and 2.0**f.bits * abs(scale) > 2.0**63 else kind


def _masked(cut: Cut, column: Column) -> Masked:
    missing = cut.missing if cut.missing is not None else np.zeros(len(cut.values), bool)
    return Masked(cut.values.astype(_DTYPES[column.kind], copy=False), missing)


def _before_newest_ns(stamps: Cut, count: int) -> npt.NDArray[np.int64]:
    """How long before the newest sample of its value each was taken, by the field that says so; 0 where it does not."""
    gain, _ = stamps.field.unit.to(parse_unit("ns"))
    values = stamps.floats().reshape(-1, count)
    if stamps.field.turn is not None:
        # a step back by more than half of what it counts is a wrap; one that does not tell is passed over
        told = np.maximum.accumulate(np.where(np.isnan(values), 0, np.arange(count)), axis=1)
        known = np.take_along_axis(values, told, axis=1)
        values += stamps.field.turn * np.cumsum(np.diff(known, axis=1, prepend=np.nan) < -stamps.field.turn / 2, axis=1)
    newest = np.nanmax(values, axis=1, keepdims=True, initial=-np.inf)
    before_ns: npt.NDArray[np.int64] = np.nan_to_num(np.rint((newest - values) * float(gain)), posinf=0).astype(
        np.int64
    )
    return before_ns.reshape(-1)
