"""From `unpack` as it is written to a `Step`, proven: the fields that it names are there and fit."""

from __future__ import annotations

from gateway.model.errors import UnitError
from gateway.model.units import parse_duration_ns
from gateway.plugin.layout.model import Field, Layout, Order
from gateway.plugin.layout.presence import ReportProblem
from gateway.plugin.layout.types import BOOLEAN, SINT, UINT, type_of
from gateway.plugin.unpack.model import Step
from gateway.plugin.unpack.numbers import Integers, Text
from gateway.plugin.unpack.pieces import Pieces
from gateway.plugin.unpack.sealed import Sealed
from gateway.plugin.unpack.shape import UnpackDecl
from gateway.plugin.unpack.stream import Ended, Measured

_KEYS = {
    "pieces": {"timeout", "first", "last", "more", "number", "length"},
    "delimiter": {"timeout", "ends", "coding"},
    "length": {"timeout", "length", "at", "adds"},
    "records": {"length", "at", "adds"},
    "cipher": {"mode", "key_env", "key_file", "nonce", "associated", "tag"},
    "text": {"json_paths", "separator", "columns"},
    "integers": {"code", "first_type", "differences", "count"},
}


def read_unpack(decl: UnpackDecl, layout: Layout, order: Order, report_problem: ReportProblem) -> Step | None:
    """The step that is declared; None where something is wrong with it, which is told.

    Args:
        layout: of the values, `CONTENT` its tail.
        order: byte order of the values.
    """
    if extra := sorted(decl.model_fields_set - _KEYS[decl.by] - {"by", "largest"}):
        report_problem("", f"{', '.join(extra)} with by = {decl.by!r}", f"of {', '.join(sorted(_KEYS[decl.by]))}")
        return None
    return _Reader(decl, layout, order, report_problem).read()


class _Reader:
    def __init__(self, decl: UnpackDecl, layout: Layout, order: Order, report_problem: ReportProblem) -> None:
        self.decl, self.layout, self.order, self.report = decl, layout, order, report_problem
        self.fields = {f.name: f for block in layout.blocks for f in block.fields if not f.type.textual}

    def read(self) -> Step | None:
        decl = self.decl
        try:
            timeout_ns = parse_duration_ns(decl.timeout)
        except UnitError as error:
            self.report("timeout", str(error), "a time such as '2 s'")
            return None
        match decl.by:
            case "pieces":
                return self._pieces(timeout_ns)
            case "delimiter":
                return self._ended(timeout_ns)
            case "length" | "records":
                return self._measured(timeout_ns)
            case "cipher":
                return self._sealed()
            case "text":
                return self._text()
            case "integers":
                return self._integers()

    def _named(self, key: str, name: str | None) -> Field | None:
        if name is None:
            return None
        field = self.fields.get(name)
        if field is None or field.type not in (UINT, BOOLEAN):
            known = ", ".join(n for n, f in self.fields.items() if f.type in (UINT, BOOLEAN)) or "none is declared"
            self.report(key, f"{name!r}", f"an unsigned field or a boolean: {known}")
        return field

    def _always(self, key: str, name: str | None, first: str | None) -> None:
        """Report a mark that may be absent; but for a length that is there in the first piece."""
        home = next((b for b in self.layout.blocks if name in {f.name for f in b.fields}), None)
        when = home.when if home is not None else None
        if when is None or (key == "length" and first and {one.value.text for one in when.conditions} == {first}):
            return
        self.report(key, f"{name!r}, which is not in every value", "a field that is, or a length under the first mark")

    def _pieces(self, timeout_ns: int) -> Step | None:
        decl = self.decl
        for key in ("first", "last", "more", "length"):
            self._named(key, getattr(decl, key))
        number = self._named("number", decl.number)
        if not (decl.last or decl.more or decl.length):
            self.report("", "nothing tells where a message ends", "last, more or length")
            return None
        marks = [name for name in (decl.first, decl.last, decl.more, decl.number, decl.length) if name]
        if len(set(marks)) < len(marks):
            self.report("", "one field for two marks", "a field for each")
        for key in ("first", "last", "more", "number", "length"):
            self._always(key, getattr(decl, key), decl.first)
        if number is not None and number.bits < 2:
            self.report("number", f"{number.bits} bits", "at least 2, or a piece out of order can't be told")
        return Pieces(
            self.layout,
            decl.largest,
            decl.first,
            decl.last,
            decl.more,
            decl.number,
            decl.length,
            number.bits if number else 0,
            timeout_ns,
        )

    def _hex(self, key: str, text: str) -> bytes:
        try:
            return bytes.fromhex(text.removeprefix("0x"))
        except ValueError:
            self.report(key, f"{text!r}", "bytes in hex")
            return b""

    def _ended(self, timeout_ns: int) -> Step | None:
        decl = self.decl
        if (decl.ends is None) == (decl.coding is None):
            self.report("", "both or none of ends and coding", "one of them")
            return None
        ends = {"COBS": b"\0", "SLIP": b"\xc0"}[decl.coding] if decl.coding else self._hex("ends", decl.ends or "")
        if not ends:
            self.report("ends", "no bytes", "at least one")
            return None
        return Ended(self.layout, decl.largest, ends, decl.coding, timeout_ns)

    def _measured(self, timeout_ns: int) -> Step | None:
        decl = self.decl
        known = type_of(decl.length or "")
        if known is None or known[0] is not UINT or known[1] % 8 or known[1] > 32:
            self.report("length", f"{decl.length!r}", "uint8, uint16, uint24 or uint32")
            return None
        field = Field("length", UINT, known[1], decl.at * 8, self.order)
        return Measured(self.layout, decl.largest, field, decl.adds, decl.by == "length", timeout_ns)

    def _parts(self, key: str, parts: list[str]) -> tuple[bytes | str, ...]:
        made: list[bytes | str] = []
        places = {f.name: f for block in self.layout.blocks if block.when is None for f in block.fields}
        for place, part in enumerate(parts):
            if part.startswith("0x"):
                made.append(self._hex(f"{key}[{place}]", part))
            elif part in places and not places[part].bit % 8 and not places[part].bits % 8:
                made.append(part)
            else:
                self.report(
                    f"{key}[{place}]", f"{part!r}", f"0x and bytes, or a field of whole bytes: {', '.join(places)}"
                )
        return tuple(made)

    def _sealed(self) -> Step | None:
        decl = self.decl
        if decl.mode is None:
            self.report("mode", "not given", "AES-CCM, AES-GCM or AES-CTR")
            return None
        if (decl.key_env is None) == (decl.key_file is None):
            self.report("", "both or none of key_env and key_file", "one of them: a key stands in no plugin")
        tag = decl.tag or {"AES-CCM": 4, "AES-GCM": 16, "AES-CTR": 0}[decl.mode]
        if decl.mode == "AES-CTR" and decl.tag is not None:
            self.report("tag", f"{decl.tag} bytes with AES-CTR", "none: it authenticates nothing")
        if decl.mode == "AES-CCM" and tag % 2:
            self.report("tag", f"{tag} bytes", "4, 6, 8, 10, 12, 14 or 16 (RFC 3610)")
        self._fixed()
        nonce = self._parts("nonce", decl.nonce)
        size = sum(len(part) if isinstance(part, bytes) else self._size(part) for part in nonce)
        fits = {"AES-CCM": 7 <= size <= 13, "AES-GCM": 8 <= size <= 128, "AES-CTR": size == 16}[decl.mode]
        if not fits:
            lengths = {"AES-CCM": "7 to 13", "AES-GCM": "8 to 128, usually 12", "AES-CTR": "16"}[decl.mode]
            self.report("nonce", f"{size} bytes", f"{lengths} bytes")
        associated = self._parts("associated", decl.associated)
        return Sealed(self.layout, decl.largest, decl.mode, tag, nonce, associated, decl.key_env, decl.key_file)

    def _size(self, name: str) -> int:
        return next(f.bits // 8 for f in self.layout.fields if f.name == name)

    def _fixed(self) -> None:
        if len(self.layout.blocks) > 1 or self.layout.check is not None:
            self.report(
                "", "a value of variable form, or with a checksum", "fields that are always there, and no check"
            )

    def _text(self) -> Step | None:
        decl = self.decl
        if bool(decl.json_paths) == (decl.separator is not None):
            self.report("", "both or none of json_paths and separator", "one of them")
            return None
        if decl.separator is not None and (not decl.separator or set(decl.separator) & set("0123456789+-.eE")):
            self.report("separator", f"{decl.separator!r}", "something that no number holds, such as ','")
        if len(set(decl.json_paths)) < len(decl.json_paths) or not all(all(p.split(".")) for p in decl.json_paths):
            self.report("json_paths", ", ".join(map(repr, decl.json_paths)), "names, each once")
        for path in decl.json_paths:
            if any(other.startswith(f"{path}.") for other in decl.json_paths):
                self.report("json_paths", f"{path!r}, in which there is another", "a number or an object")
        self._fixed()
        return Text(
            self.layout,
            decl.largest,
            tuple(decl.json_paths),
            decl.separator or "",
            len(decl.json_paths) or decl.columns,
        )

    def _integers(self) -> Step | None:
        decl = self.decl
        self._named("count", decl.count)
        known, first = type_of(decl.code or ""), type_of(decl.first_type) if decl.first_type is not None else None
        variable = decl.code in ("LEB128", "zigzag")
        if not variable and (known is None or known[0] not in (UINT, SINT) or known[1] > 32):
            self.report("code", f"{decl.code!r}", "LEB128, zigzag, or uintN or sintN of at most 32 bits")
            return None
        if decl.first_type is not None and (variable or first is None or first[0] not in (UINT, SINT) or first[1] > 32):
            self.report(
                "first_type", f"{decl.first_type!r}", "uintN or sintN of at most 32 bits, beside a code of a type"
            )
            return None
        if any(block.when for block in self.layout.blocks) or self.layout.check is not None:
            self.report(
                "", "fields under a condition, or a checksum", "fields that are always there, and no check beside them"
            )
        return Integers(
            self.layout,
            decl.largest,
            "LEB128" if decl.code == "LEB128" else "zigzag" if decl.code == "zigzag" else "fixed",
            known[1] if known else 0,
            known is not None and known[0] is SINT,
            first[1] if first else 0,
            first is not None and first[0] is SINT,
            decl.differences,
            self.order,
            decl.count,
        )
