"""Hold a GATT table that was found against the rules of Bluetooth and against a plugin."""

from gateway.model.gatt import FoundTable
from gateway.plugin import Plugin
from gateway.verify.audit.content import CONTENT
from gateway.verify.audit.declared import DECLARED
from gateway.verify.audit.model import Audit, Checked, Finding, Rule, Sight
from gateway.verify.audit.model import audit as check_table
from gateway.verify.audit.structure import STRUCTURE

RULES = (*DECLARED, *STRUCTURE, *CONTENT)

__all__ = ["RULES", "Audit", "Checked", "Finding", "Rule", "Sight", "audit_table"]


def audit_table(table: FoundTable, plugin: Plugin | None) -> Audit:
    """Hold a table against every rule; against those of the plugin only where there is one."""
    return check_table(table, plugin, RULES if plugin is not None else (*STRUCTURE, *CONTENT))
