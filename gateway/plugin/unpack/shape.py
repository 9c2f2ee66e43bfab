"""How `unpack` is written in a plugin file. The text below a key is what the reference page says of it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict
from pydantic import Field as Declared

LARGEST = 65_536


class UnpackDecl(BaseModel):
    """How the values of a characteristic are unpacked, as written."""

    model_config = ConfigDict(extra="forbid", strict=True, use_attribute_docstrings=True)

    by: Literal["pieces", "delimiter", "length", "records", "cipher", "text", "integers"]
    """`pieces`: a message over several values, with marks in front of each piece. `delimiter`: a byte stream, each
    message ended by some bytes. `length`: a byte stream, each message with its length in front. `records`: one after
    another in each value, each with its length in front (type, length, value). `cipher`: encrypted by the application.
    `text`: numbers in text or JSON. `integers`: packed integers."""
    largest: Annotated[int, Declared(ge=1, le=LARGEST)] = 4096
    """Bytes of the largest message; a longer one is counted and left out."""
    timeout: str = "5 s"
    """Of `pieces`, `delimiter` and `length`: a message whose next part takes longer is counted and given up."""
    first: str | None = None
    """Of `pieces`: the field that is 1 in the first piece of a message. Without it, `number` 0 begins one."""
    last: str | None = None
    """Of `pieces`: the field that is 1 in the last piece."""
    more: str | None = None
    """Of `pieces`: the field that is 0 in the last piece."""
    number: str | None = None
    """Of `pieces`: the field that counts the pieces of a message."""
    length: str | None = None
    """Of `pieces`: the field with the bytes of the whole message. Of `length` and `records`: the type of the length,
    such as `uint16`."""
    at: Annotated[int, Declared(ge=0, le=64)] = 0
    """Of `length` and `records`: at which byte of the message its length stands."""
    adds: Annotated[int, Declared(ge=-64, le=64)] = 0
    """Of `length` and `records`: how much longer the whole message is than its length says."""
    ends: str | None = None
    """Of `delimiter`: the bytes that end a message, in hex, such as `"0d0a"`."""
    coding: Literal["COBS", "SLIP"] | None = None
    """Of `delimiter`, in place of `ends`: how messages are kept free of it."""
    mode: Literal["AES-CCM", "AES-GCM", "AES-CTR"] | None = None
    """Of `cipher`: how it is encrypted."""
    key_env: str | None = None
    """Of `cipher`: the environment variable that holds the key in hex."""
    key_file: str | None = None
    """Of `cipher`: or the file that does, beside the plugin if it is given without a folder."""
    nonce: list[str] = []
    """Of `cipher`: what the nonce, in CTR mode the first counter block, is put together from: fields of the value, and
    constants such as `"0x0001"`."""
    associated: list[str] = []
    """Of `cipher`: the same for what is authenticated but not encrypted."""
    tag: Annotated[int, Declared(ge=4, le=16)] | None = None
    """Of `cipher`: bytes of the authentication code, which is at the end; by default 4 of AES-CCM, 16 of AES-GCM."""
    json_paths: list[str] = []
    """Of `text`: names of numbers in a JSON object, inner ones as `outer.inner`; each becomes a float64."""
    separator: str | None = None
    """Of `text`, in place of that: what stands between the numbers."""
    columns: Annotated[int, Declared(ge=1, le=64)] = 1
    """Of `text` with a separator: how many numbers."""
    code: str | None = None
    """Of `integers`: `LEB128`, `zigzag` (LEB128 of signed numbers), or a type such as `sint6` or `uint10`; each becomes
    a sint32."""
    first_type: str | None = None
    """Of `integers` with a type: that of the first, if it is another, such as `sint16`."""
    differences: bool = False
    """Of `integers`: whether all after the first are differences from the one before."""
    count: str | None = None
    """Of `integers`: the field that says how many there are; by default, as many as the value has room for."""
