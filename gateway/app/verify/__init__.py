"""Prove a node's firmware: `audits` hold its table against its plugin, `trial` exercises its settings, and `air` is
where it is reached."""

from gateway.app.verify.air import air, serve
from gateway.app.verify.audits import audit_capture, audit_live, audit_log, audit_text
from gateway.app.verify.trial import exercise_node

__all__ = ["air", "audit_capture", "audit_live", "audit_log", "audit_text", "exercise_node", "serve"]
