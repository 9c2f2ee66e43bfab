"""One declaration for firmware, tool and app: what a plugin declares, as C for the firmware, as a table for people who
write apps, as a schema for machines. The same plugin always gives the same text, so that a change can be seen."""

from gateway.plugin.contract.c import c_files
from gateway.plugin.contract.markdown import markdown
from gateway.plugin.contract.names import GENERATED
from gateway.plugin.contract.schema import schema

__all__ = ["GENERATED", "c_files", "markdown", "schema"]
