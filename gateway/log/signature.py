"""Who stands for a run: its seal signed with a key that is kept elsewhere (Ed25519, RFC 8032). A chain of digests can
be made anew by anybody; a signature over its head can't, without the key."""

from __future__ import annotations

import hashlib
import sqlite3
import time
from dataclasses import dataclass
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from gateway.log.opening import open_log
from gateway.model.errors import LogFileError
from gateway.model.utc import utc_text


@dataclass(frozen=True, slots=True)
class Signature:
    """A signature over the head of a run's seal.

    Attributes:
        key: the fingerprint of the public key: the SHA-256 of its 32 bytes, in hex.
        good: whether it is the key's, over this head of this run.
        head: what was signed.
    """

    utc: str
    key: str
    good: bool
    head: str


def _told(uid: str, head: str, t_ns: int) -> bytes:
    return f"gattest seal\n{uid}\n{head}\n{t_ns}".encode()


def sign_run(path: Path, run: int, key: Ed25519PrivateKey) -> str:
    """Sign the newest head of a run's seal, in its log; the head.

    Raises:
        LogFileError: the log can't be used, or holds no seal of the run.
    """
    with open_log(path, existing=True) as log:
        try:
            row = log.connection.execute(
                "SELECT run.uid, seal.head FROM seal JOIN run ON run.id = seal.run WHERE run.id = ? "
                "ORDER BY number DESC LIMIT 1",
                (run,),
            ).fetchone()
            if row is None:
                raise LogFileError(f"{path}: run {run} has no seal to sign")
            t_ns = time.time_ns()
            public = key.public_key().public_bytes_raw()
            log.connection.execute(
                "INSERT INTO signature VALUES (?, ?, ?, ?, ?)",
                (run, t_ns, row[1], public, key.sign(_told(row[0], row[1], t_ns))),
            )
        except sqlite3.Error as error:
            raise LogFileError(f"{path} can't be signed: {error}") from None
    return str(row[1])


def signatures_of(connection: sqlite3.Connection, run: int) -> list[Signature]:
    """The signatures of a run, oldest first."""
    try:
        rows = connection.execute(
            "SELECT uid, t_ns, head, public_key, signature FROM signature JOIN run ON run.id = signature.run "
            "WHERE run = ? ORDER BY t_ns",
            (run,),
        ).fetchall()
    except sqlite3.OperationalError:  # of an earlier version
        return []
    found = []
    for uid, t_ns, head, public, signature in rows:
        good = False
        try:
            key = Ed25519PublicKey.from_public_bytes(public)
            key.verify(signature, _told(uid, head, t_ns))
            good = True
        except (InvalidSignature, ValueError, TypeError):
            pass
        mark = hashlib.sha256(public).hexdigest() if isinstance(public, bytes) else "unreadable"
        found.append(Signature(utc_text(t_ns)[:19] if isinstance(t_ns, int) else "", mark, good, str(head)))
    return found
