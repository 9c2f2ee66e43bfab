"""A plugin drafted from what was seen of a node: services, characteristics, properties, the names and formats that its
descriptors give, adopted ones by their number, and what it advertised. Of values that nothing describes it says what
their bytes look like, as comments, and claims nothing."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise

from gateway.model.gatt import FoundCharacteristic, FoundTable
from gateway.plugin.layout.types import TYPES
from gateway.plugin.standard.adopted import adopted, short_number, short_uuid
from gateway.plugin.standard.assigned import PRESENTATION_FORMAT, USER_DESCRIPTION, assigned_units

_INTERNAL = {0x1800, 0x1801}  # Generic Access and Generic Attribute: of the stack, not of the node's own
_MOST_SHOWN = 4  # values
_FEWEST = 3  # values that a byte's behaviour is told from
_LONGEST_NAME = 40
_ANYTHING = '{ name = "value", type = "uint8[]" }'


def draft_plugin(kind: str, table: FoundTable, source: str) -> str:
    """The text of a plugin.

    Args:
        kind: of node.
        table: what was seen of one.
        source: where, for the comment at its head.
    """
    lines = [
        f"# Drafted from {source}: what was seen there, and nothing else. Lines with # in front are to be replaced",
        "# by what your firmware spec says. Check it with `gattest check` and the folder of this file.",
        "",
        "[plugin]",
        f'kind  = "{kind}"',
        'title = "Describe this node here"',
    ]
    taken: set[str] = set()
    for service in table.services:
        if short_number(service.uuid) in _INTERNAL:
            continue
        for item in service.characteristics:
            lines += ["", *_characteristic(item, service.uuid, taken)]
    for part, values in table.advertised.values.items() if table.advertised is not None else ():
        lines += ["", *_advertised(part, values, taken)]
    lines += [f"# not seen: {' '.join(text.split())}" for text in table.unseen]
    return "\n".join(lines) + "\n"


def _characteristic(item: FoundCharacteristic, service: str, taken: set[str]) -> Iterator[str]:
    known = adopted().get(item.uuid)
    said = _descriptor(item, USER_DESCRIPTION)
    description = said.decode("utf-8", "replace") if said else ""
    name = _name(description or (known.name if known else ""), item.handle, taken)
    yield f"[characteristic.{name}]"
    yield f'uuid       = "{short_uuid(item.uuid)}"'
    yield f'service    = "{short_uuid(service)}"' if service else "# its service was not seen"
    if description and description.isprintable() and '"' not in description and "\\" not in description:
        yield f'description = "{description}"'
    offered = [
        one for one in ("read", "write", "write-without-response", "notify", "indicate") if one in item.properties
    ]
    listed = ", ".join(f'"{one}"' for one in offered)
    yield f"properties = [{listed}]"
    values = [*item.read, *(raw for _, raw in item.pushed)]
    yield from _seen(values)
    if known is None:
        yield f"fields     = [{_field(name, item, values)}]"


def _advertised(part: int | str, values: Sequence[bytes], taken: set[str]) -> Iterator[str]:
    """What is advertised: manufacturer data of a company, or service data of a service."""
    company = isinstance(part, int)
    told = f"company {part:04x}" if company else f"advertised {short_uuid(str(part)).removeprefix('0x')}"
    yield f"[characteristic.{_name(told, len(taken), taken)}]"
    yield f"company = 0x{part:04X}" if company else f'service_data = "{short_uuid(str(part))}"'
    yield from _seen(values)
    yield f"fields  = [{_ANYTHING}]"


def _seen(values: Sequence[bytes]) -> Iterator[str]:
    """What values look like: how many, how long, and for those of the commonest length what each byte does."""
    if not values:
        yield "# no value was seen"
        return
    lengths = Counter(map(len, values))
    told = ", ".join(
        f"{count} of {length} {'byte' if length == 1 else 'bytes'}" for length, count in sorted(lengths.items())
    )
    yield f"# values seen: {told}"
    (length, _), *_ = lengths.most_common(1)
    same = [value for value in values if len(value) == length]
    for value in list(dict.fromkeys(same))[:_MOST_SHOWN]:
        yield f"#   {value.hex(' ') or '(empty)'}"
    if len(same) < _FEWEST:
        return
    for text in _behaviour(same, length):
        yield f"#   {text}"


def _behaviour(values: Sequence[bytes], length: int) -> Iterator[str]:
    for place in range(length):
        column = [value[place] for value in values]
        steps = Counter((after - before) % 256 for before, after in pairwise(column))
        if len(set(column)) == 1:
            yield f"byte {place}: always {column[0]:02x}"
        elif steps[1] >= 0.8 * len(column) - 1:
            yield f"byte {place}: counts up by one, most of the time"


def _field(name: str, item: FoundCharacteristic, values: Sequence[bytes]) -> str:
    """A field as the presentation format describes it, or the bytes as they are."""
    raw = _descriptor(item, PRESENTATION_FORMAT)
    if raw is not None and len(raw) == 7:
        code, exponent, number = raw[0], int.from_bytes(raw[1:2], signed=True), int.from_bytes(raw[2:4], "little")
        found = next((kind.label(bits) for kind in TYPES for bits, own in kind.formats.items() if own == code), None)
        unit = assigned_units().get(number)
        if found is not None and all(len(value) * 8 == int(re.sub(r"\D", "", found) or 8) for value in values):
            symbol = unit.symbol if unit is not None else ""
            if found.startswith(("uint", "sint")) and (symbol or exponent):
                return f'{{ name = "{name}", type = "{found}", lsb = "1e{exponent} {symbol}" }}'.replace(' " }', '" }')
            more = f', unit = "{symbol}"' if symbol and not found.startswith(("uint", "sint", "boolean")) else ""
            return f'{{ name = "{name}", type = "{found}"{more} }}'
    return _ANYTHING


def _descriptor(item: FoundCharacteristic, number: int) -> bytes | None:
    return next((one.raw for one in item.descriptors if short_number(one.uuid) == number), None)


def _name(text: str, handle: int, taken: set[str]) -> str:
    """A name as plugins have them, unique; by its handle where nothing names it."""
    name = re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")[: _LONGEST_NAME - 5].strip("_")
    if not re.fullmatch(r"[a-z][a-z0-9_]*", name) or name == "link":
        name = f"handle_{handle:04x}"
    name = f"{name}_{handle:04x}" if name in taken else name
    taken.add(name)
    return name
