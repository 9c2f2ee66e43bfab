"""Files that are written for the user: whole, never over what is there unless that was made here or is asked for, and
with an error that says what to do."""

from __future__ import annotations

from pathlib import Path

from gateway.model.errors import InputError

_HEAD = 4096  # bytes in which a file says what it is


def make_folder(path: Path, option: str) -> None:
    """See that a folder is there.

    Args:
        option: the one by which another can be given.

    Raises:
        InputError: it can't be.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{path} can't be used as a folder: {error.strerror}; choose another with {option}") from None


def refuse_same(output: Path, *inputs: Path) -> None:
    """See that an output does not take the place of what it is made from.

    Raises:
        InputError: it would.
    """
    for source in inputs:
        if output.exists() and source.exists() and output.samefile(source):
            raise InputError(f"{output} is the input; use another file for the output")


def refuse_existing(path: Path, force: bool, mark: bytes = b"") -> None:
    """See that nothing is overwritten that was not meant to be.

    Args:
        force: whether it was asked for.
        mark: what a file holds near its beginning that was written by the same command before; such a file may be
            replaced. Empty for none.

    Raises:
        InputError: there is another file, and it was not.
    """
    if force or not path.exists():
        return
    try:
        with path.open("rb") as file:
            own = bool(mark) and mark in file.read(_HEAD)
    except OSError:
        own = False
    if not own:
        raise InputError(f"{path} exists; nothing was written: use another name, or overwrite it with --force")


def write_file(path: Path, content: str | bytes) -> None:
    """Write a file; text as UTF-8.

    Raises:
        InputError: it can't be written.
    """
    try:
        path.write_bytes(content.encode() if isinstance(content, str) else content)
    except OSError as error:
        raise InputError(f"{path} can't be written: {error.strerror}; check the folder") from None
