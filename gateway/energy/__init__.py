"""How long a cell lasts: a node's charge from the phases of its radio, its sensors and what else it draws, with the
spread that the numbers of its profile leave. A forecast is not a rating."""

from gateway.energy.cell import Cell, cells
from gateway.energy.draws import Draws, drawn, first_order, nominal
from gateway.energy.life import Life, Load, SensorLoad, life_of, parts_of
from gateway.energy.profile import Parameter, Profile, read_profile
from gateway.energy.shape import EnergyShape

__all__ = [
    "Cell",
    "Draws",
    "EnergyShape",
    "Life",
    "Load",
    "Parameter",
    "Profile",
    "SensorLoad",
    "cells",
    "drawn",
    "first_order",
    "life_of",
    "nominal",
    "parts_of",
    "read_profile",
]
