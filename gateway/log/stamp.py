"""When the seal of a run was there at the latest: answers of a time stamp authority (RFC 3161) beside the log.
The authority sees nothing but a digest; that it is one of the seal's heads is told here, and that the answer is the
authority's, where its certificate is given."""

from __future__ import annotations

import glob
from collections.abc import Container, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cryptography.x509 import load_pem_x509_certificates

from gateway.model.errors import InputError

_MOST_BYTES = 1_000_000
SUFFIX = ".tsr"


@dataclass(frozen=True, slots=True)
class Stamp:
    """A time stamp.

    Attributes:
        file: its name.
        utc: the time that the authority told, to the second; "" where the file can't be read.
        head: what was stamped.
        good: whether it is the authority's; None where no certificate was given.
        wrong: what is wrong with it, "" for nothing.
    """

    file: str
    utc: str = ""
    head: str = ""
    good: bool | None = None
    wrong: str = ""


def stamp_files(log: Path) -> list[Path]:
    """The files beside a log whose names are its own, perhaps something more, and ``.tsr``."""
    more = log.parent.glob(f"{glob.escape(log.name)}.*{SUFFIX}")
    own = [file for file in more if not file.with_suffix("").exists()]  # which would be those of another log
    return sorted([*own, *log.parent.glob(f"{glob.escape(log.name)}{SUFFIX}")])


def stamps_of(log: Path, heads: Container[str], authority: Path | None) -> Iterator[Stamp]:
    """The time stamps of a log.

    Args:
        heads: all that the seals in it have had.
        authority: a PEM file with the certificates of the authority, its root among them; None for not to ask.

    Raises:
        InputError: the certificates can't be read, or there are stamps and the library to read them is missing.
    """
    files = stamp_files(log)
    if not files and authority is None:
        return
    try:
        import rfc3161_client
    except ImportError:
        raise InputError("time stamps need rfc3161-client: pip install 'gattest[stamps]'") from None
    check = _verifier(rfc3161_client, authority) if authority is not None else None
    for file in files:
        yield _read(rfc3161_client, file, heads, check)


def _read(library: Any, file: Path, heads: Container[str], check: Any) -> Stamp:
    try:
        with file.open("rb") as opened:
            answer = library.decode_timestamp_response(opened.read(_MOST_BYTES))
        told = answer.tst_info
        imprint = bytes(told.message_imprint.message)
    except OSError as error:
        return Stamp(file.name, wrong=f"can't be read: {error.strerror}")
    except ValueError:
        return Stamp(file.name, wrong="is no answer of a time stamp authority (RFC 3161), or one that refuses")
    utc, head = told.gen_time.strftime("%Y-%m-%dT%H:%M:%S"), imprint.hex()
    if head not in heads:
        return Stamp(file.name, utc, head, wrong=f"stamps {head}, which is no head of a seal in the log")
    if check is None:
        return Stamp(file.name, utc, head)
    try:
        check.verify(answer, imprint)
    except (library.VerificationError, ValueError) as error:
        return Stamp(file.name, utc, head, False, f"is not the authority's: {error}")
    return Stamp(file.name, utc, head, True)


def _verifier(library: Any, authority: Path) -> Any:
    """What tells whether a stamp is the authority's: certificates that sign themselves are its roots."""
    try:
        certificates = load_pem_x509_certificates(authority.read_bytes())
    except OSError as error:
        raise InputError(f"{authority} can't be read: {error.strerror}") from None
    except ValueError:
        raise InputError(f"{authority} holds no certificates in PEM; ask the authority for its chain") from None
    builder = library.VerifierBuilder()
    for one in dict.fromkeys(certificates):  # each once, however often it stands there
        root = one.issuer == one.subject
        builder = builder.add_root_certificate(one) if root else builder.add_intermediate_certificate(one)
    try:
        return builder.build()
    except ValueError:
        raise InputError(f"{authority} holds no root certificate, one that signs itself; add it") from None
