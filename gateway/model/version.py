"""Which version of the product this is."""

__version__ = "0.1.0"
