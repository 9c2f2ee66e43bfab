"""Why a link ended or was not made, in the words of the Core Specification (Vol 1, Part F, 1.3), so that a loss
reads the same whether a radio reported it or a capture shows it."""

from __future__ import annotations

REMOTE_USER, LOCAL_HOST = 0x13, 0x16

REASONS = {
    0x05: "authentication failure",
    0x06: "PIN or key missing",
    0x08: "connection timeout",
    REMOTE_USER: "remote user terminated connection",
    0x14: "remote device terminated connection due to low resources",
    0x15: "remote device terminated connection due to power off",
    LOCAL_HOST: "connection terminated by local host",
    0x1A: "unsupported remote feature",
    0x1F: "unspecified error",
    0x22: "LMP response timeout / LL response timeout",
    0x28: "instant passed",
    0x3B: "unacceptable connection parameters",
    0x3D: "connection terminated due to MIC failure",
    0x3E: "connection failed to be established",
}
"""Controller error codes that end a link or keep it from being made."""


def reason_text(code: int) -> str:
    """A controller error code in words; the number where it has no meaning for a link."""
    return REASONS.get(code, f"error code 0x{code:02X}")
