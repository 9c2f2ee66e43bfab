"""Send a log to an MQTT broker without losing a frame: `forward` sends what the log holds and what comes to it, and
`beside` does that in a process of its own while a run goes on."""
