"""Reach an MQTT broker: `link` is a connection, and `topics` say what stands where."""
