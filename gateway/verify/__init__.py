"""Firmware held against its plugin: `audit` of its GATT table, `exercise` of its settings."""
