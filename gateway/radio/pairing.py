"""How a bumble host pairs, as central or as a simulated node."""

from __future__ import annotations

from bumble.pairing import PairingConfig, PairingDelegate

from gateway.model.security import Pairing


class Delegate(PairingDelegate):  # type: ignore[misc]  # bumble is not typed for mypy
    """One side of a pairing: types the passkey in, or shows it.

    Args:
        can: what it has for that; without a passkey nothing.
    """

    def __init__(self, pairing: Pairing, can: PairingDelegate.IoCapability) -> None:
        super().__init__(self.NO_OUTPUT_NO_INPUT if pairing.passkey is None else can)
        self._passkey = pairing.passkey

    async def get_number(self) -> int | None:
        return self._passkey

    async def generate_passkey(self) -> int:
        return self._passkey or 0

    async def display_number(self, number: int, digits: int) -> None:
        return None


def pairing_config(pairing: Pairing, can: PairingDelegate.IoCapability) -> PairingConfig:
    """How a host pairs: LE Secure Connections with a bond, against man in the middle where there is a passkey."""
    return PairingConfig(sc=True, mitm=pairing.passkey is not None, bonding=True, delegate=Delegate(pairing, can))
