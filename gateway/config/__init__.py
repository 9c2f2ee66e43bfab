"""Run files: which nodes, how they are set up, what is required of them, and, for a virtual run, how the
simulated nodes behave."""

from gateway.config.broker import BrokerFile, MqttConfig, load_broker
from gateway.config.model import (
    FIRMWARE_FAULTS,
    AirConfig,
    Faults,
    NodeConfig,
    RunConfig,
    SensorUse,
    Signal,
    TwinConfig,
)
from gateway.config.read import load_run

__all__ = [
    "FIRMWARE_FAULTS",
    "AirConfig",
    "BrokerFile",
    "Faults",
    "MqttConfig",
    "NodeConfig",
    "RunConfig",
    "SensorUse",
    "Signal",
    "TwinConfig",
    "load_broker",
    "load_run",
]
