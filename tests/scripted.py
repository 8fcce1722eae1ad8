"""A board in a few lines, for tests of the host: answers requests from memory, and fails as told.

Time does not pass here: a read without data returns at once, whatever its patience.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from zlib import crc32

import numpy as np
import numpy.typing as npt

from coilbell.board import PortLost, Tester, frame, reader

__all__ = ["CONSTANTS", "HELLO", "ScriptedBoard", "frames_of"]

HELLO: dict[str, int | str] = {
    "protocol": 1,
    "firmware": "1.2.3",
    "board": "Raspberry Pi Pico with RP2040",
    "unique_id": "e66138935f2b4a2c",
    "micropython": "1.28.0",
    "tick_hz": 144_000_000,
    "ticks_per_sample": 288,
    "rate_numerator": 48_000_000,
    "rate_denominator": 96,
    "start_uncertainty_ps": 0,
    "bits": 12,
    "max_samples": 16384,
    "max_pretrigger": 227,
    "min_width_ticks": 2,
    "max_width_ticks": 14400,
    "max_shots": 999,
    "rest_ms": 15,
    "max_shots_per_s": 40,
    "lead_limit_mv": 500,
    "capacitors": "A,B",
    "constants_from": "file",
}

CONSTANTS: dict[str, int] = {
    "offset_code_16": 32768,
    "converter_nv": 805_664,
    "gain_ppm": 500_000,
    "stray_ff": 25_000,
    "input_psi": 1_000_000,
    "latency_ps": 0,
    "lead_offset_code_16": 32768,
    "lead_uv": 8862,
    "A_ff": 22_000_000,
    "A_tolerance_ppm": 10_000,
    "A_loss_ppm": 200,
    "B_ff": 2_200_000,
    "B_tolerance_ppm": 20_000,
    "B_loss_ppm": 200,
}

_NOISE = np.random.default_rng(1).standard_normal(1 << 18)

Tester.__test__ = False  # type: ignore[attr-defined]  # its name is no test's


@lru_cache(maxsize=64)
def _ring(samples: int, delay: int) -> npt.NDArray[np.float64]:
    times = (np.arange(samples) * 288 - delay) / 144e6
    ring = 300 * np.exp(-times * 6283) * np.cos(2 * np.pi * 400e3 * times)
    return np.where(times < 0, 2048.0, 2048 + ring)


def frames_of(answer: bytes) -> list[bytes]:
    """The frames of an undamaged answer, each as its bytes."""
    found = [f for f in reader.Reader().feed(answer) if isinstance(f, reader.Frame)]
    return [frame.encode(f.type, f.id, f.payload) for f in found]


@dataclass
class ScriptedBoard:
    """A port with a board behind it.

    mangle: called with each answer, gives what arrives of it; lost: the port is gone.
    """

    name: str = "/dev/scripted"
    hello: dict[str, int | str] = field(default_factory=lambda: dict(HELLO))
    constants: dict[str, int] = field(default_factory=lambda: dict(CONSTANTS))
    mangle: Callable[[bytes], bytes] | None = None
    lost: bool = False
    mute: bool = False
    live_mv: int = 0
    errors: int = 0
    flags: int = 0
    chunk: int = 1 << 20
    seed: int = 1
    closed: int = 0
    requests: list[str] = field(default_factory=list)
    shots: list[npt.NDArray[np.uint16]] = field(default_factory=list)
    """Codes of every shot ever sent, without error bits."""
    pending: bytes = b""
    _line: bytes = b""

    def write(self, data: bytes) -> None:
        """Take bytes, answer whole lines."""
        if self.lost:
            raise PortLost(f"{self.name} vanished")
        if self.mute:
            return
        *lines, self._line = (self._line + data).split(b"\n")
        for line in lines:
            if line.strip():
                answer = self.answer(line)
                self.pending += self.mangle(answer) if self.mangle else answer

    def read(self, timeout_s: float) -> bytes:
        """The next piece, at once."""
        if self.lost:
            raise PortLost(f"{self.name} vanished")
        data, self.pending = self.pending[: self.chunk], self.pending[self.chunk :]
        return data

    def close(self) -> None:
        """Count it."""
        self.closed += 1

    def answer(self, line: bytes) -> bytes:
        """All frames that answer one request."""
        word, number, keys = frame.decode_request(line)
        self.requests.append(line.decode())
        if word == "hello":
            body = [(frame.HELLO, frame.encode_fields(frame.HELLO, self.hello)), self._constants()]
        elif word in ("constants", "constant", "save"):
            if word == "constant":
                self.constants[keys["name"]] = int(keys["value"])
            body = [self._constants()]
        elif self.live_mv:
            words = {
                "code": frame.LEADS_LIVE,
                "value": self.live_mv,
                "words": f"leads carry {self.live_mv} mV",
            }
            return frame.encode(frame.ERROR, number, frame.encode_fields(frame.ERROR, words))
        elif word == "aim":
            told = {"outcome": "found", "capacitor": keys["capacitor"], "width_ticks": 180}
            told |= {"peak_uv": 300_000, "largest_uv": 300_000, "shots": 20, "lead_mv": 0}
            body = [(frame.AIM, frame.encode_fields(frame.AIM, told))]
        elif word == "check":
            told = {"tick_hz": 144_000_000, "rate_hz": 500_000, "lead_mv": 0, "lead_mv_per_s": 0}
            told |= {"temperature_mc": 23_500, "heap_free": 100_000}
            body = [(frame.CHECK, frame.encode_fields(frame.CHECK, told))]
        else:
            body = self._capture({key: keys[key] for key in keys})
        return self._closed(number, body)

    def _constants(self) -> tuple[int, bytes]:
        told = dict(self.constants) | {"constants_from": self.hello["constants_from"]}
        return frame.CONSTANTS, frame.encode_fields(frame.CONSTANTS, told)

    def _capture(self, keys: dict[str, str]) -> list[tuple[int, bytes]]:
        begin: dict[str, int | str] = {**keys, "temperature_mc": 23_500, "lead_mv": 3}
        begin |= {key: self.hello[key] for key in ("tick_hz", "ticks_per_sample", "start_uncertainty_ps")}
        begin |= {key: self.hello[key] for key in ("rate_numerator", "rate_denominator")}
        body = [(frame.BEGIN, frame.encode_fields(frame.BEGIN, begin))]
        samples, many = int(keys["samples"]), int(keys["interleave"])
        for shot in range(int(keys["shots"]) * many):
            delay = int(keys["pretrigger"]) * 288 - shot % many * 288 // many
            codes = self.codes(samples, delay)
            failed = np.zeros(samples, bool)
            failed[7 : 7 + self.errors] = True
            sent = np.where(failed, codes | frame.CONVERSION_FAILED, codes).astype("<u2")
            head = frame.encode_shot(shot, shot % many, self.flags, delay, self.errors, 3)
            body.append((frame.DATA, head + sent.tobytes()))
            self.shots.append(codes)
        return body

    def codes(self, samples: int, delay: int) -> npt.NDArray[np.uint16]:
        """A 400 kHz ring of Q 200, with noise."""
        # A start of its own in one stretch of noise: quick, and no two shots are alike.
        start = (7919 * self.seed + 104_729 * len(self.shots)) % (_NOISE.size - samples)
        noise = _NOISE[start : start + samples]
        return np.clip(np.rint(_ring(samples, delay) + noise), 0, 4095).astype(np.uint16)

    @staticmethod
    def _closed(number: int, body: list[tuple[int, bytes]]) -> bytes:
        total = 0
        for kind, payload in body:
            if kind == frame.DATA:
                total = crc32(payload, total)
        shots = sum(kind == frame.DATA for kind, _ in body)
        end = frame.encode_fields(frame.END, {"frames": len(body), "shots": shots, "sum": total})
        return b"".join(frame.encode(kind, number, payload) for kind, payload in [*body, (frame.END, end)])
