"""The files an export writes: CSV, JSON lines, Parquet. Each takes its name once it is complete."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Protocol, TextIO, assert_never

import numpy as np
import numpy.typing as npt

from gateway.model.errors import InputError, OutputClosedError
from gateway.model.texts import in_a_cell

Form = Literal["csv", "jsonl", "parquet"]
ColumnKind = Literal["integer", "real", "text", "time", "bytes"]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a file: its name with the unit in it, what it holds, and the unit by itself."""

    name: str
    kind: ColumnKind
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Masked:
    """Values of shape (n,), and where there is none."""

    values: npt.NDArray[Any]
    missing: npt.NDArray[np.bool_]

    def to_list(self) -> list[Any]:
        """Python values with None for none."""
        values: list[Any] = self.values.tolist()
        for place in np.flatnonzero(self.missing).tolist():
            values[place] = None
        return values


Values = Sequence[Any] | Masked
Batch = Sequence[Values]  # values of each column


class ValueFile(Protocol):
    """A file being written."""

    def write(self, batch: Batch) -> None: ...

    def close(self) -> None: ...


class Output:
    """A file that takes its name once it is complete."""

    def __init__(self, path: Path | None, form: Form, columns: Sequence[Column]) -> None:
        self.rows = 0
        self._path = path
        self._part = path.with_name(path.name + ".part") if path is not None else None
        try:
            if form == "parquet" and self._part is not None:
                self._file: ValueFile = _Parquet(self._part, columns)
            else:
                file = self._part.open("w", newline="", encoding="utf-8") if self._part else None
                match form:
                    case "csv":
                        self._file = _Csv(file, columns)
                    case "jsonl" | "parquet":  # parquet can't be streamed, and was refused before
                        self._file = _JsonLines(file, columns)
                    case _:
                        assert_never(form)
        except OSError as error:
            raise InputError(f"{path} can't be written: {error.strerror}; check the folder") from None

    def __enter__(self) -> Output:
        return self

    def write(self, batch: Batch) -> None:
        self._guarded(lambda: self._file.write(batch))
        self.rows += len(batch[1])  # type: ignore[arg-type]  # the node's name, a plain sequence

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: object) -> None:
        if kind is None:
            self._guarded(self._file.close)
            if self._path is not None and self._part is not None:
                path, part = self._path, self._part
                self._guarded(lambda: part.replace(path))
            return
        with contextlib.suppress(OSError, ValueError):
            self._file.close()
        if self._part is not None:
            self._part.unlink(missing_ok=True)

    def _guarded(self, work: Callable[[], object]) -> None:
        try:
            work()
        except BrokenPipeError:
            raise OutputClosedError from None
        except OSError as error:
            where = self._path or "standard output"
            raise InputError(f"{where} can't be written: {error.strerror or error}; nothing was written") from None


class _Text:
    """What the two text forms share: a file, or standard output, which is not ours to close."""

    def __init__(self, file: TextIO | None) -> None:
        self._own = file is not None
        self._file: TextIO = file if file is not None else sys.stdout

    def close(self) -> None:
        self._file.flush()
        if self._own:
            os.fsync(self._file.fileno())
            self._file.close()


class _Csv(_Text):
    """Comma separated, one header line; empty for no value. Texts that a spreadsheet would take for formulas have an
    apostrophe before them."""

    def __init__(self, file: TextIO | None, columns: Sequence[Column]) -> None:
        super().__init__(file)
        self._writer = csv.writer(self._file, lineterminator="\n")
        self._kinds = [column.kind for column in columns]
        self._writer.writerow([column.name for column in columns])

    def write(self, batch: Batch) -> None:
        columns = [
            [in_a_cell(one) if isinstance(one, str) else one for one in values] if kind == "text" else values
            for values, kind in zip(map(_shown, batch, self._kinds), self._kinds, strict=True)
        ]
        self._writer.writerows(zip(*columns, strict=True))


class _JsonLines(_Text):
    """One JSON object a line; null for no value."""

    def __init__(self, file: TextIO | None, columns: Sequence[Column]) -> None:
        super().__init__(file)
        self._columns = columns

    def write(self, batch: Batch) -> None:
        names = [column.name for column in self._columns]
        buffer = io.StringIO()
        for row in zip(*(_shown(v, c.kind) for v, c in zip(batch, self._columns, strict=True)), strict=True):
            buffer.write(json.dumps(dict(zip(names, row, strict=True)), ensure_ascii=False) + "\n")
        self._file.write(buffer.getvalue())


def _shown(values: Values, kind: ColumnKind) -> Sequence[Any]:
    """Values as text forms show them."""
    if isinstance(values, Masked):
        return values.to_list()
    if kind == "time":
        return _utc_texts(values)
    if kind == "bytes":
        return [raw.hex() for raw in values]
    return values


def _utc_texts(times_ns: Sequence[int]) -> list[str]:
    """ISO 8601 UTC with nine decimals."""
    texts = np.datetime_as_string(np.array(times_ns, dtype="datetime64[ns]"), unit="ns")
    return [f"{text}Z" for text in texts.tolist()]


class _Parquet:
    """Apache Parquet through pyarrow; times are UTC timestamps of nanoseconds, the unit is in the field's metadata."""

    def __init__(self, path: Path, columns: Sequence[Column]) -> None:
        try:
            import pyarrow
            import pyarrow.parquet
        except ImportError:
            raise InputError("Parquet needs pyarrow: pip install 'gattest[parquet]', or use csv or jsonl") from None
        self._arrow = pyarrow
        types: Mapping[ColumnKind, Any] = {
            "integer": pyarrow.int64(),
            "real": pyarrow.float64(),
            "text": pyarrow.string(),
            "time": pyarrow.timestamp("ns", tz="UTC"),
            "bytes": pyarrow.binary(),
        }
        self._schema = pyarrow.schema(
            [pyarrow.field(c.name, types[c.kind], metadata={"unit": c.unit} if c.unit else None) for c in columns]
        )
        self._writer = pyarrow.parquet.ParquetWriter(path, self._schema, compression="zstd")
        self._worker = ThreadPoolExecutor(1, "parquet writer")
        self._last: Future[None] | None = None

    def write(self, batch: Batch) -> None:
        """Written beside whatever the caller does next, one batch at a time: packing leaves Python's lock alone."""
        self._wait()
        self._last = self._worker.submit(self._write, batch)

    def _wait(self) -> None:
        last, self._last = self._last, None
        if last is not None:
            last.result()

    def _write(self, batch: Batch) -> None:
        arrays = [
            self._arrow.array(values.values, type=field.type, mask=values.missing)
            if isinstance(values, Masked)
            else self._list(values, field.type)
            for values, field in zip(batch, self._schema, strict=True)
        ]
        self._writer.write_batch(self._arrow.record_batch(arrays, schema=self._schema))

    def _list(self, values: Sequence[Any], kind: Any) -> Any:
        try:
            return self._arrow.array(values, type=kind)
        except self._arrow.ArrowInvalid:  # integers among floats, beyond what a float has exactly
            return self._arrow.array([None if v is None else float(v) for v in values], type=kind)

    def close(self) -> None:
        try:
            self._wait()
        finally:
            self._worker.shutdown()
            self._writer.close()
