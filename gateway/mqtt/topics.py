"""Which topic holds what. Below prefix and gateway: `gateway` (retained, and the will), `run-UID` (retained: what a
consumer needs to know of a run), `events` (of the run itself); and below a node: a topic for each channel, with
`earlier` below it for what is sent later than it came, `node-state` (retained), `node-events`, `node-verdicts`. Names
of channels hold no hyphen, so that none is taken for another."""

from __future__ import annotations

from gateway.config import MqttConfig

EARLIER = "earlier"
STATE, EVENTS, VERDICTS = "node-state", "node-events", "node-verdicts"
GATEWAY, RUN, RUN_EVENTS = "gateway", "run-", "events"


def below(config: MqttConfig, *levels: str) -> str:
    """A topic of this gateway."""
    return "/".join((config.prefix, config.gateway, *levels))
