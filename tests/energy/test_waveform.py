"""Events in a measured current, from files made here by other libraries (csv, wave, zipfile, pyarrow), of a known
charge: the published events of Kindt et al. on a sleeping baseline."""

from __future__ import annotations

import struct
import wave
import zipfile
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.energy.waveform import Recording, measure
from gateway.model.errors import InputError
from tests.energy.support import TRUTH

RATE = 100_000
BASE_A, EVENTS, EVERY = 2e-6, 20, 5000
PHASES = [  # the constant phases of a published event, ms and mA
    TRUTH["ble_event_model"]["phases_ms_mA"][name]
    for name in ("head", "preprocessing", "communication_preamble", "transient", "postprocessing", "tail")
]


def signal(noise_a: float = 0.0) -> npt.NDArray[np.float64]:
    event = np.concatenate([np.full(round(ms * RATE / 1e3), ma / 1e3) for ms, ma in PHASES])
    samples = np.full(EVENTS * EVERY, BASE_A)
    for number in range(EVENTS):
        at = 1000 + number * EVERY
        samples[at : at + len(event)] += event
    return samples + np.random.default_rng(1).normal(0, noise_a, len(samples)) if noise_a else samples


def charge_uc() -> float:
    return float(sum(round(ms * RATE / 1e3) / RATE * ma for ms, ma in PHASES) * 1e3)


def written(folder: Path, kind: str, samples: npt.NDArray[np.float64]) -> Recording:
    path = folder / f"x.{kind.split()[0]}"
    if kind == "csv":
        lines = [f"{n / RATE:.6f},{a * 1e3:.9f}" for n, a in enumerate(samples)]
        path.write_text("time (s),current (mA)\n" + "\n".join(lines) + "\n")
        return Recording(path)
    if kind == "csv comma":
        lines = [f"{n / RATE * 1e3:.3f};{a * 1e6:.6f}".replace(".", ",") for n, a in enumerate(samples)]
        path.write_text("time (ms);current (µA)\n" + "\n".join(lines) + "\n", encoding="utf-8")
        return Recording(path)
    if kind == "csv rate":
        path.write_text("I\n" + "\n".join(f"{a:.12f}" for a in samples) + "\n")
        return Recording(path, RATE, 1.0)
    if kind == "wav":
        with wave.open(str(path), "wb") as file:
            file.setparams((1, 4, RATE, 0, "NONE", ""))
            file.writeframes((samples / 0.05 * 2**31).astype("<i4").tobytes())
        return Recording(path, None, 0.05)
    if kind == "parquet":
        table = pa.table({"time (s)": np.arange(len(samples)) / RATE, "current (A)": samples})
        pq.write_table(table, path)
        return Recording(path)
    chunks = np.array_split(samples.astype("<f4"), 12)  # more than nine, so that their order has to be numeric
    with zipfile.ZipFile(path, "w") as file:
        file.writestr("version", "2")
        file.writestr("metadata", "[device 1]\nsamplerate=100 kHz\ntotal analog=1\nanalog1=I\n")
        for number in range(len(chunks), 0, -1):
            file.writestr(f"analog-1-1-{number}", chunks[number - 1].tobytes())
    return Recording(path)


@pytest.mark.parametrize("kind", ["csv", "csv comma", "csv rate", "wav", "parquet", "sr"])
def test_every_form_gives_the_charge_that_went_in(tmp_path: Path, kind: str) -> None:
    found = measure(written(tmp_path, kind, signal()))
    assert found.rate_hz == pytest.approx(RATE, rel=1e-6) and found.samples == EVENTS * EVERY
    assert found.baseline_a == pytest.approx(BASE_A, rel=0.02)
    assert len(found.pulses) == EVENTS
    for pulse in found.pulses:
        assert pulse.charge_c * 1e6 == pytest.approx(charge_uc(), rel=2e-3)
        assert pulse.peak_a == pytest.approx(12.238e-3 + BASE_A, rel=1e-3)
    starts = np.diff([one.start_s for one in found.pulses])
    assert starts == pytest.approx(np.full(EVENTS - 1, EVERY / RATE))
    assert len(found.shape_a) == pytest.approx(1.96e-3 * RATE, abs=2)


def test_noise_on_the_baseline_makes_no_events(tmp_path: Path) -> None:
    found = measure(written(tmp_path, "parquet", signal(20e-6)))
    assert len(found.pulses) == EVENTS
    assert np.mean([one.charge_c for one in found.pulses]) * 1e6 == pytest.approx(charge_uc(), rel=5e-3)
    assert found.baseline_a == pytest.approx(BASE_A, abs=2e-6)


@settings(max_examples=20, deadline=None)
@given(st.integers(20, 4000))
def test_where_a_block_ends_makes_no_difference(block: int) -> None:
    class Pieces:
        path, rate_hz = Path("x"), float(RATE)

        def blocks(self):  # type: ignore[no-untyped-def]
            samples = signal()[:30_000]
            for at in range(0, len(samples), block * 7):
                yield samples[at : at + block * 7]

    found = measure(Pieces())  # type: ignore[arg-type]
    assert [round(one.charge_c * 1e9) for one in found.pulses] == [round(charge_uc() * 1e3)] * 6


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("x.csv", b"a\n1\n", "2 lines"),
        ("x.csv", b"time,current\n0,1\n1,2\n", "'current (mA)'"),
        ("x.csv", b"a (mA),b (mA)\n0,1\n1,2\n", "which column is the current? It has a (mA), b (mA)"),
        ("x.csv", b"current (mA)\n1\n2\n", "no column of times among current (mA)"),
        ("x.csv", b"time (s),current (mA)\n0,1\n1,nothing\n2,3\n", "is damaged"),
        ("x.csv", b"time (s),current (V)\n0,1\n1,2\n", "current (V)"),
        ("x.wav", b"RIFF", "can't be read"),
        ("x.parquet", b"PAR1", "can't be read"),
        ("x.sr", b"PK\x05\x06" + bytes(18), "no session of samples"),
        ("x.csv", b"time (s),current (mA)\n0,nan\n1,nan\n2,nan\n", "samples that are no numbers"),
    ],
)
def test_what_can_not_be_read_is_told(tmp_path: Path, name: str, content: bytes, told: str) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError) as caught:
        measure(Recording(tmp_path / name, None, 0.05 if name.endswith("wav") else None))
    assert told in str(caught.value)


def test_a_wav_file_without_its_scale_is_refused(tmp_path: Path) -> None:
    with wave.open(str(tmp_path / "x.wav"), "wb") as file:
        file.setparams((1, 2, 8000, 0, "NONE", ""))
        file.writeframes(struct.pack("<4h", 1, 2, 3, 4))
    with pytest.raises(InputError, match="--full-scale"):
        Recording(tmp_path / "x.wav")


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ([f"{n / 1e3:.3f},1" for n in [*range(50), *range(80, 120)]], "a gap of 0.031 s between samples of 0.001 s"),
        ([f"{n / 1e3:.3f},{'' if n == 20 else 1}" for n in range(50)], "line 22: no current"),
    ],
)
def test_samples_that_are_missing_are_told_and_not_closed_up(tmp_path: Path, lines: list[str], told: str) -> None:
    (tmp_path / "x.csv").write_text("time (s),current (mA)\n" + "\n".join(lines) + "\n")
    with pytest.raises(InputError) as caught:
        measure(Recording(tmp_path / "x.csv"))
    assert told in str(caught.value)
