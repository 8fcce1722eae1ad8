"""The golden frames and the fields of their BEGIN; runs under CPython and MicroPython."""

BEGIN = {
    "samples": 4,
    "pretrigger": 1,
    "width_ticks": 720,
    "capacitor": "A",
    "shots": 1,
    "interleave": 1,
    "tick_hz": 144000000,
    "ticks_per_sample": 288,
    "rate_numerator": 48000000,
    "rate_denominator": 96,
    "start_uncertainty_ps": 0,
    "temperature_mc": -1500,
    "lead_mv": -3,
}


def golden():
    """name -> bytes, written by make_frames.py, which does not use frame.py."""
    found = {}
    with open(__file__.replace("wire.py", "frames.txt")) as file:
        for line in file:
            if line.strip() and not line.startswith("#"):
                name, digits = line.split()
                found[name] = bytes(int(digits[i : i + 2], 16) for i in range(0, len(digits), 2))
    return found
