"""The simulated circuits against ngspice, which solves netlists written by another road.

Golden figures (tests/golden/spice_circuit) let this run without ngspice; with it, every netlist is
solved again. Source: ngspice, Debian package; poles from its impedance by scipy's AAA interpolant.
"""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest

from coilbell.board.simulation import Winding, catalogue
from golden.spice_circuit import netlist
from outside import require

F_BAND = 1e-3
Q_BAND = 1e-2
LINEAR = pytest.mark.parametrize("case", netlist.CASES, ids=lambda case: netlist.name_of(*case))
WITH_JUNCTION = pytest.mark.parametrize(
    "case", netlist.JUNCTION_CASES, ids=lambda case: netlist.name_of(*case)
)


@cache
def golden() -> dict:
    return json.loads(netlist.FIGURES.read_text())


def impedance(world: Winding, farads: float, hz: float) -> complex:
    system = world.state_space(farads)
    resolvent = np.linalg.solve(
        2j * np.pi * hz * np.eye(len(system.a)) - system.a, system.b[:, 0].astype(complex)
    )
    return complex(system.c[0] @ resolvent + system.d[0, 0])


def check_linear(case: tuple[str, str, float], figures: dict) -> None:
    name, state, farads = case
    world = Winding(catalogue.part(name), state)
    mode = world.ring_mode(farads)
    assert mode is not None
    nearest = min(figures["rings"], key=lambda ring: abs(ring["frequency_hz"] - mode.frequency_hz))
    assert mode.frequency_hz == pytest.approx(nearest["frequency_hz"], rel=F_BAND)
    assert mode.q == pytest.approx(nearest["q"], rel=Q_BAND)
    assert abs(mode.residue) == pytest.approx(nearest["residue"], rel=Q_BAND)
    for hz, real, imaginary in figures["impedance"]:
        assert impedance(world, farads, hz) == pytest.approx(complex(real, imaginary), rel=1e-5)


def check_junction(case: tuple[str, str, float, float], figures: dict) -> None:
    name, state, farads, amps = case
    world = Winding(catalogue.part(name), state)
    # Pulse from 1 us on a 3 us grid: samples from the third on stand at the golden times.
    volts = world.ring(farads, netlist.PULSE_S, 1 / 3e-6, 131, delay_s=1e-6, pulse_amps=amps)[2:]
    expected = np.array(figures["volts"])
    peak = np.max(np.abs(expected))
    assert np.max(np.abs(volts - expected)) < 5e-4 * peak


@LINEAR
def test_ring_agrees_with_the_golden_figures(case):
    check_linear(case, golden()[netlist.name_of(*case)])


@LINEAR
def test_ring_agrees_with_ngspice_now(case):
    tool = require("ngspice")
    check_linear(case, netlist.linear_figures(netlist.solve(netlist.linear_text(*case), tool)))


@WITH_JUNCTION
def test_conducting_junction_agrees_with_the_golden_figures(case):
    check_junction(case, golden()[netlist.name_of(*case)])


@WITH_JUNCTION
def test_conducting_junction_agrees_with_ngspice_now(case):
    tool = require("ngspice")
    check_junction(case, netlist.junction_figures(netlist.solve(netlist.junction_text(*case), tool)))


def test_the_junction_matters_in_these_cases():
    figures = golden()
    low, high = (np.array(figures[netlist.name_of(*case)]["volts"]) for case in netlist.JUNCTION_CASES)
    scaled = low * netlist.JUNCTION_CASES[1][3] / netlist.JUNCTION_CASES[0][3]
    assert np.max(np.abs(scaled - high)) > 0.1 * np.max(np.abs(high))


IN_SETS = pytest.mark.parametrize("case", netlist.SET_CASES, ids=lambda case: netlist.set_name(*case))
SET_BAND = 1.5e-2
"""Of the peak over some 15 cycles: a hundredth is a frequency that differs by one in ten thousand."""


def check_set(case: tuple[str, str, tuple[str, ...], float], figures: dict) -> None:
    name, state, done, farads = case
    world = Winding(catalogue.part(name), state, done=done)
    volts = world.ring(farads, netlist.PULSE_S, 1 / 3e-6, 131, delay_s=1e-6, pulse_amps=netlist.SET_AMPS)[2:]
    expected = np.array(figures["volts"])
    assert np.max(np.abs(volts - expected)) < SET_BAND * np.max(np.abs(expected))


@IN_SETS
def test_set_agrees_with_the_golden_figures(case):
    check_set(case, golden()[netlist.set_name(*case)])


@IN_SETS
def test_set_agrees_with_ngspice_now(case):
    tool = require("ngspice")
    check_set(case, netlist.junction_figures(netlist.solve(netlist.set_text(*case), tool)))


@IN_SETS
def test_kept_netlists_of_sets_are_those_of_the_families(case):
    kept = (netlist.HERE / f"{netlist.set_name(*case)}.cir").read_text()
    assert kept == netlist.set_text(*case), "the families changed: run tests/golden/spice_circuit/netlist.py"


@pytest.mark.parametrize(
    "case", [*netlist.CASES, *netlist.JUNCTION_CASES], ids=lambda case: netlist.name_of(*case)
)
def test_kept_netlists_are_those_of_the_catalogue(case):
    writer = netlist.linear_text if len(case) == 3 else netlist.junction_text
    kept = (netlist.HERE / f"{netlist.name_of(*case)}.cir").read_text()
    assert kept == writer(*case), "the parts list changed: run tests/golden/spice_circuit/netlist.py"
