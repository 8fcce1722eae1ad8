"""Writes frames.txt: golden bytes of the wire format, laid down by hand from its description.

Independent of frame.py: head, check and CRC-32 are put together here with zlib and int.to_bytes.
`python tests/golden/make_frames.py` writes the file anew; a difference in git is a change of the format.
"""

import zlib
from pathlib import Path


def frame(kind: int, request: int, payload: bytes) -> bytes:
    """magic, version 1, type, id, length, check, payload, crc."""
    head = b"\xf5\x43\x62\xf6" + bytes([1, kind]) + request.to_bytes(2, "little")
    head += len(payload).to_bytes(4, "little")
    body = head + zlib.crc32(head).to_bytes(4, "little") + payload
    return body + zlib.crc32(body).to_bytes(4, "little")


BEGIN = b"""\
samples=4
pretrigger=1
width_ticks=720
capacitor=A
shots=1
interleave=1
tick_hz=144000000
ticks_per_sample=288
rate_numerator=48000000
rate_denominator=96
start_uncertainty_ps=0
temperature_mc=-1500
lead_mv=-3
"""
SHOT = bytes.fromhex("00000000 0000 0200 20010000 01000000 fdffffff")
SAMPLES = bytes.fromhex("0008 ff8f ff0f 0000")
END = b"frames=2\nshots=1\nsum=%d\n" % zlib.crc32(SHOT + SAMPLES)
ERROR = b"code=10\nvalue=-12300\nwords=live  leads = danger\n"

FRAMES = {
    "begin": frame(2, 9999, BEGIN),
    "data": frame(3, 9999, SHOT + SAMPLES),
    "end": frame(7, 9999, END),
    "error": frame(8, 65535, ERROR),
    "empty": frame(1, 0, b""),
}

if __name__ == "__main__":
    lines = ["# name and bytes of each frame, written by make_frames.py"]
    lines += [f"{name} {data.hex()}" for name, data in FRAMES.items()]
    Path(__file__).with_name("frames.txt").write_text("\n".join(lines) + "\n", encoding="ascii", newline="\n")
