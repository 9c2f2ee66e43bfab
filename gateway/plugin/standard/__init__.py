"""Characteristics, descriptors, units and numbers that Bluetooth has adopted or assigned."""
