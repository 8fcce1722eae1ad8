"""Pins and constants of the firmware's board.py are those of the netlist."""

from __future__ import annotations

import runpy
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "hardware-notes"))

from circuit import netlist  # noqa: E402

# Which GPIO comes out at which pin of a Pico or Pico 2: from memory of the module's pin-out drawing.
GROUNDS = (3, 8, 13, 18, 23, 28, 33, 38)
PIN_OF_GPIO = dict(enumerate(p for p in range(1, 30) if p not in GROUNDS))
PIN_OF_GPIO |= {26: 31, 27: 32, 28: 34}


@pytest.fixture(scope="module")
def board():
    return runpy.run_path(str(ROOT / "firmware" / "board.py"))


@pytest.fixture(scope="module")
def values():
    return {part.ref: netlist.number(part.value) for part in netlist.parts() if part.ref[0] in "RC"}


def net_of_gpio(gpio: int) -> str:
    module = next(part for part in netlist.parts() if part.ref == "U3")
    return module.nodes[PIN_OF_GPIO[gpio] - 1]


def part_between(a: str, b: str) -> netlist.Part:
    (found,) = [part for part in netlist.parts() if set(part.nodes) == {a, b}]
    return found


def test_the_pin_table_knows_the_corners():
    assert PIN_OF_GPIO[0] == 1
    assert PIN_OF_GPIO[15] == 20
    assert PIN_OF_GPIO[16] == 21
    assert PIN_OF_GPIO[22] == 29


def test_pulse_and_converter_pins(board):
    assert net_of_gpio(board["PULSE_PIN"]) == "PULSE"
    assert net_of_gpio(26 + board["RING_CHANNEL"]) == "ADC0"
    assert net_of_gpio(26 + board["LEAD_CHANNEL"]) == "ADC1"


def test_each_capacitor_letter_switches_the_capacitor_of_that_value(board, values):
    for letter, gpio, femtofarads, _tolerance_ppm, loss_ppm, _, _ in board["CAPACITORS"]:
        assert net_of_gpio(gpio) == f"SEL{letter}"
        fitted = part_between("LEAD", f"DRAIN{letter}")
        listed = netlist.table()[fitted.ref]
        assert values[fitted.ref] == pytest.approx(femtofarads * 1e-15, rel=1e-9)
        assert loss_ppm <= 1e6 * float(listed["loss_tangent"]), "board.py takes more loss off than there is"


def test_constants_hold_what_the_parts_give(board, values):
    constants = {name: (value, low, high) for name, value, low, high in board["CONSTANTS"]}
    shunt = 1 / (1 / values["R25"] + 1 / values["R26"])
    chain = values["R3"] + values["R4"]
    divided = shunt / (shunt + chain) * (1 + values["R33"] / values["R34"])
    count = 3.3 / 4096
    assert constants["converter_nv"][0] == pytest.approx(count * 1e9, rel=1e-3)
    assert constants["lead_uv"][0] == pytest.approx(1e6 * count / divided, rel=0.01)
    gain = 1 + values["R20"] / values["R21"]
    lifted = 1 / values["R26"] / (1 / values["R25"] + 1 / values["R26"] + 1 / chain)
    zero_16 = 16 * 4096 * lifted * (1 + values["R33"] / values["R34"])
    for name, wanted in (("gain_ppm", gain * 1e6), ("lead_offset_code_16", zero_16)):
        _, low, high = constants[name]
        assert low < wanted < high, f"{name} of this circuit is {wanted:.0f}, which board.py does not allow"


def test_hardware_ends_a_pulse_after_the_firmware_would(board, values):
    """A stuck pulse ends after 0.3 to 1.7 time constants of the gate (simulated); board.py stays below."""
    tau = values["C4"] * values["R15"]
    assert 6e-6 < board["MAX_WIDTH_NS"] * 1e-9 < 0.3 * tau
