"""What an audit is made of: rules, each with its source, and findings, each with its place."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from gateway.model.gatt import FoundCharacteristic, FoundService, FoundTable
from gateway.model.records import Outcome, overall
from gateway.plugin import Plugin
from gateway.plugin.standard.adopted import short_uuid


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that breaks a rule: where, what was found, what was expected."""

    rule: str
    place: str
    found: str
    expected: str


Broken = Iterator[tuple[str, str, str]]  # place, found, expected


class Sight(StrEnum):
    """Whether a table shows what a rule speaks of."""

    SEEN = "seen"
    NOT_HERE = "not visible in this source"
    MISSED = "declared, could be seen from this source, and was not seen"


def where(seen: bool) -> Sight:
    """What a source shows, or can't show."""
    return Sight.SEEN if seen else Sight.NOT_HERE


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule.

    Attributes:
        name: short, with hyphens.
        meaning: one line.
        source: where it is written.
        check: yields each breach.
        sees: whether this table shows what the rule speaks of; a rule that can't be checked is inconclusive, and so is
            the whole where that was missed.
        strict: False for what may be meant so; a breach is then a note and fails nothing.
    """

    name: str
    meaning: str
    source: str
    check: Callable[[FoundTable, Plugin | None], Broken]
    sees: Callable[[FoundTable, Plugin | None], Sight] = lambda table, plugin: Sight.SEEN
    strict: bool = True


@dataclass(frozen=True, slots=True)
class Checked:
    """A rule held against a table."""

    rule: Rule
    findings: tuple[Finding, ...]
    outcome: Outcome
    sight: Sight


@dataclass(frozen=True, slots=True)
class Audit:
    """All rules held against a table; ``unseen`` says what could not be seen of it."""

    who: str
    checked: tuple[Checked, ...]
    unseen: tuple[str, ...]
    attributes: int

    @property
    def outcome(self) -> Outcome:
        """Fail on a breach; inconclusive where something could not be seen, or was missed that was declared; else pass.

        What no audit of this source could see does not keep it from passing.
        """
        missed = self.unseen or not self.attributes or any(one.sight is Sight.MISSED for one in self.checked)
        kept = [one.outcome for one in self.checked if one.sight is not Sight.NOT_HERE]
        return overall([*kept, *([Outcome.INCONCLUSIVE] if missed else [])])


def audit(table: FoundTable, plugin: Plugin | None, rules: tuple[Rule, ...]) -> Audit:
    """Hold a table against rules.

    Args:
        plugin: what the node is declared to be, None to check the rules of Bluetooth alone.
    """
    checked = []
    for rule in rules:
        findings = tuple(Finding(rule.name, *breach) for breach in rule.check(table, plugin))
        sight = Sight.SEEN if findings else rule.sees(table, plugin)
        if findings and rule.strict:
            outcome = Outcome.FAIL
        else:
            outcome = Outcome.PASS if sight is Sight.SEEN else Outcome.INCONCLUSIVE
        checked.append(Checked(rule, findings, outcome, sight))
    seen = sum(1 + sum(2 + len(item.descriptors) for item in s.characteristics) for s in table.services)
    return Audit(table.who, tuple(checked), tuple(table.unseen), seen)


def place_of(item: FoundCharacteristic, plugin: Plugin | None) -> str:
    """Where a characteristic stands, for people."""
    names = [own.name for own in plugin.served.values() if own.uuid == item.uuid] if plugin else []
    return f"0x{item.handle:04X} {names[0] if names else short_uuid(item.uuid)}"


def place_of_service(service: FoundService) -> str:
    """Where a service stands, for people."""
    return f"service {short_uuid(service.uuid)}" + (f" at 0x{service.handle:04X}" if service.handle is not None else "")
