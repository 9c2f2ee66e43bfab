"""Verify prototype Bluetooth LE sensor nodes against their written spec."""

__version__ = "0.1.0"
