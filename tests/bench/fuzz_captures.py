"""Coverage-guided fuzzing of every capture reader; by hand, with atheris from the registry installed:

    python tests/bench/fuzz_captures.py FOLDER_OF_SEEDS -max_total_time=300

Any end of reading but records, or an error that says what is wrong, stops it.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["gateway.capture"]):
    from gateway.capture import ForeignCapture, TextCapture, is_foreign

from gateway.model.errors import InputError
from gateway.plugin import find_plugin

PLUGINS = (find_plugin("loan-crate"), find_plugin("bore-gauge"))
MOST_RECORDS = 100_000
FILE = Path(tempfile.mkdtemp()) / "x"


def one(data: bytes) -> None:
    FILE.write_bytes(data)
    try:
        if is_foreign(FILE):
            capture = ForeignCapture(FILE, PLUGINS, {}, {})
            count = sum(1 for _ in capture.records())
        else:
            with TextCapture(FILE) as text:
                count = sum(1 for _ in text.records())
    except InputError:
        return
    assert count <= MOST_RECORDS


if __name__ == "__main__":
    atheris.Setup(sys.argv, one)
    atheris.Fuzz()
