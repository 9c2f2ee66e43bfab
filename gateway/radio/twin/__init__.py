"""Simulated nodes made from a plugin: `signal` says what their sensors feel, `node` puts them on a
virtual air, where they obey their settings and commit the faults that a run file asks for."""

from gateway.radio.twin.node import Twin

__all__ = ["Twin"]
