"""The reader of the circuit's netlist, and the decks made from it; no simulator needed."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "hardware-notes"))

from circuit import netlist
from circuit.deck import Deck


@pytest.mark.parametrize(
    ("text", "value"), [("47", 47.0), ("4.7k", 4700.0), ("22Meg", 22e6), ("470p", 470e-12), ("1e-9", 1e-9)]
)
def test_values(text, value):
    assert netlist.number(text) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["", "four", "4k7", "1.2.3", "10 k"])
def test_words_that_are_no_value(text):
    with pytest.raises(ValueError, match=r"value|float"):
        netlist.number(text)


def test_a_line_is_a_part_with_its_pins_and_block():
    (first, second) = netlist.read("*= Here\n* reasons\nR1 a b 1k\nXU1 a 0\n+ nc1 b CHIP\n")
    assert (first.ref, first.nodes, first.value, first.block) == ("R1", ("a", "b"), "1k", "Here")
    assert second.ref == "U1"
    assert second.connected == ((1, "a"), (2, "0"), (4, "b"))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("R1 a b 1k\nR1 b c 1k\n", "used twice"),
        ("R1 a b c 1k\n", "3 nets"),
        ("Q1 a b c FET\n", "no part"),
        ("R1 a b lots\n", "no value"),
        ("R1 1k\n", "no part"),
    ],
)
def test_lines_that_are_no_part(text, words):
    with pytest.raises(ValueError, match=words):
        netlist.read(text)


def test_every_part_has_its_data():
    assert {part.ref for part in netlist.parts()} == netlist.table().keys()


def test_every_model_is_there_with_as_many_pins():
    models = (netlist.HERE / "models.cir").read_text(encoding="utf-8").replace("\n+", " ")
    heads = {words[1]: words[2:] for words in map(str.split, models.splitlines()) if words[:1] == [".subckt"]}
    diodes = {words[1] for words in map(str.split, models.splitlines()) if words[:1] == [".model"]}
    for part in netlist.parts():
        if part.line.startswith("X"):
            assert len(heads[part.value]) == len(part.nodes), part.ref
        elif part.ref.startswith("D"):
            assert part.value in diodes, part.ref


def test_the_ring_passes_no_fuse_and_no_resistor():
    """Red post, test capacitor, switch, black post: two parts between the leads and nothing else."""
    for letter in "ABC":
        joined = {ref for ref, _ in netlist.nets()[f"DRAIN{letter}"]}
        capacitors = [
            p for p in netlist.parts() if p.ref in joined and set(p.nodes) == {"LEAD", f"DRAIN{letter}"}
        ]
        switches = [p for p in netlist.parts() if p.ref in joined and p.nodes[1:] == (f"DRAIN{letter}", "0")]
        assert len(capacitors) == len(switches) == 1


def test_low_voltage_hangs_behind_fuse_and_resistor():
    """What touches the leads themselves is rated for them."""
    on_leads = {ref for ref, _ in netlist.nets()["LEAD"]}
    assert on_leads == {"J1", "E1", "R3", "F1", "C1", "C2", "C3"}
    for ref in on_leads - {"F1"}:
        assert float(netlist.table()[ref]["volts"]) >= 350, ref


def test_a_deck_drives_each_pin_once_and_replaces_values():
    deck = Deck("AC", pulse_s=1e-6, values={"R5": 10.0}, leave_out=("F1",), copper="ideal")
    lines = [line.split() for line in deck.lines]
    assert ["R5", "FUSED", "RING", "10"] in lines
    assert not [words for words in lines if words[0] == "XF1"]
    sources = {words[0]: " ".join(words[3:]) for words in lines if words[0].startswith("V")}
    assert sources["VSELA_pin"] == "DC 3.3"
    assert sources["VSELB_pin"] == "DC 0"
    assert sources["VSELC_pin"] == "DC 3.3"
    assert sources["VPULSE_pin"].startswith("PULSE(0 3.3 1e-05")


def test_the_printed_board_s_copper_is_in_the_deck():
    """Each pin of a net of copper has a node of its own, joined to the others by resistors and inductors."""
    deck = Deck("A", copper="full")
    lines = {line.split()[0]: line.split() for line in deck.lines}
    assert lines["C1"][1:3] == ["LEAD_C1_1", "DRAINA_C1_2"]
    assert lines["XQ1"][1:4] == ["GATEA", "DRAINA", "G_Q1_3"]
    ways = [words for name, words in lines.items() if name.startswith("RkLEAD")]
    assert {"LEAD", "LEAD_C1_1", "LEAD_F1_1"} <= {words[1] for words in ways} | {
        lines[words[0].replace("R", "L", 1)][2] for words in ways
    }
    assert all(0 < float(words[3]) < 1.0 for words in ways)


def test_test_capacitors_lose_what_the_parts_list_says():
    """Im/Re of the dielectric's branches added up: tan(delta) within 3 % from 2 kHz to 300 kHz."""
    deck = Deck("A")
    words = [line.split() for line in deck.lines if line.startswith(("CC1_loss", "RC1_loss"))]
    farads = {w[0][1:]: float(w[3]) for w in words if w[0].startswith("C")}
    ohms = {w[0][1:]: float(w[3]) for w in words if w[0].startswith("R")}
    for hz in (2e3, 7e3, 20e3, 70e3, 300e3):
        s = 2j * 3.141592653589793 * hz
        admittance = s * 22e-9 + sum(1 / (ohms[k] + 1 / (s * farads[k])) for k in farads)
        tangent = admittance.real / admittance.imag
        assert tangent == pytest.approx(float(netlist.table()["C1"]["loss_tangent"]), rel=0.03)


def test_an_unpowered_deck_has_no_supplies():
    deck = Deck("A", powered=False)
    assert "V1 five 0 5" not in deck.models
    assert "V2 three 0 3.3" not in deck.models
    assert "VSELA_pin SELA_pin 0 DC 0.0" in deck.lines
