"""From the values of a characteristic to the messages in them: messages in pieces, byte streams, records, ciphers, text
and packed integers. Each is a step that is declared in the plugin; what comes out is decoded by a layout of its own."""

from gateway.plugin.unpack.chain import Unpacking
from gateway.plugin.unpack.declare import read_unpack
from gateway.plugin.unpack.model import Held, Messages, Opened, Step, Whole
from gateway.plugin.unpack.shape import UnpackDecl

__all__ = ["Held", "Messages", "Opened", "Step", "UnpackDecl", "Unpacking", "Whole", "read_unpack"]
