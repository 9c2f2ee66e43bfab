"""A node's firmware held against its plugin: `audit` of its table, `exercise` of its settings, and `air`, where it is
reached."""
