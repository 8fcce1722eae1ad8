"""The netlist keeps the electrical rules, and every rule can be broken.

KiCad 6 of Debian offers no rule check of schematics without a screen, and there is no KiCad schematic: the
rules here are those such checks have in common. The printed board's own nets are held against the netlist in
tests/truth/test_hardware_printed.py.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "hardware-notes"))

from circuit import netlist, rules

TEXT = netlist.NETLIST.read_text(encoding="utf-8")


def broken(old: str, new: str) -> list[str]:
    """Complaints about the netlist with one place changed."""
    assert TEXT.count(old) == 1, old
    return rules.complaints(netlist.read(TEXT.replace(old, new)))


def test_the_tester_keeps_the_rules():
    assert rules.complaints() == []


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("R28 SENSEOUT ADC1 1k", "R28 SENSEOUT ADCI 1k", "ADCI has R28 pin 2 alone"),
        ("R28 SENSEOUT ADC1 1k", "", "nothing drives ADC1"),
        ("R24 AMPOUT ADC0 220", "R24 AMPOUT VMID 220", "nothing drives ADC0"),
        ("AMPFB BOOT BOOT MCP6024", "AMPFB BOOT VMID MCP6024", "U1 pin 7 and U1 pin 14 both drive VMID"),
        ("DRIVEA SELB 0 DRIVEB", "DRIVEA SELB 0 0", "drives ground"),
        ("R19 AMPIN BIAS 22Meg", "", "nothing drives AMPIN"),
        ("R9 DRIVEA GATEA 1Meg", "", "DRIVEA has U2 pin 3 alone"),
        ("R15 VRES PGATE 47k", "R15 VRES VRES 47k", "R15 has both pins on VRES"),
        ("R29 3V3 VA 10", "", "U1 pin 4 is a supply pin on VA, which no supply feeds"),
        ("R29 3V3 VA 10", "R29 3V3 VA 10k", "U1 pin 4 is a supply pin on VA, which no supply feeds"),
        ("C16 VA 0 10u", "C16 0 VA 10u", "C16 has its plus on 0"),
        ("XQ1 GATEA DRAINA 0 IRLB8748", "XQ1 GATEA DRAINA IRLB8748", "Q1 has 2 nets for 3 pins"),
        (
            "XQ4 PDRAIN PGATE VRES BS250",
            "XQ4 PDRAIN PGATE VRES BS2500",
            "nothing is known of the pins of a BS2500",
        ),
        ("nc29 nc30", "nc29 nc29", "nc29 stands at two pins"),
        ("R12 SELA 0 4.7k", "R12 SELX 0 4.7k", "SELX has R12 pin 1 alone"),
    ],
)
def test_each_rule_can_be_broken(old, new, words):
    assert any(words in line for line in broken(old, new)), broken(old, new)


def test_every_kind_of_package_is_known_and_none_is_left_over():
    assert {part.value for part in netlist.parts() if part.line.startswith("X")} == rules.PINS.keys()


def test_parts_and_parts_list_are_the_same_parts_pin_by_pin():
    """Every part of the list has as many pins on nets or on none as its kind has pins."""
    for ref in netlist.table():
        (part,) = (p for p in netlist.parts() if p.ref == ref)
        loose = sum(net.startswith("nc") for net in part.nodes)
        assert len(part.connected) + loose == len(part.nodes)
        assert len(part.connected) >= 2, ref
