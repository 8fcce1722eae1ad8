"""A tester on a port -> Records.

::

    with Tester.open() as tester:                    # or Tester.open("virtual:?part=moss-choke&seed=1")
        records = tester.capture(Settings(shots=8))
"""

from coilbell.board.aiming import Aim, Measure
from coilbell.board.calibrating import Wire, best_ohms, by_resistor, capacitances, series
from coilbell.board.constants import kept as kept_constants
from coilbell.board.deploy import Flashed, Mpremote, flash
from coilbell.board.exchange import Refusal, Tally
from coilbell.board.identity import FIRST_WORDS, Identity
from coilbell.board.limits import LIMITS, ratio
from coilbell.board.outcome import Outcome, Row
from coilbell.board.ports import BoardPort, choose
from coilbell.board.selftest import selftest
from coilbell.board.settings import Settings
from coilbell.board.stray import Known, Rung, examined
from coilbell.board.tester import Tester
from coilbell.board.transport import Port, PortLost, open_port, serial_ports
from coilbell.board.wire import loop_henries, solenoid_henries, wire_ohms

__all__ = [
    "FIRST_WORDS",
    "LIMITS",
    "Aim",
    "BoardPort",
    "Flashed",
    "Identity",
    "Known",
    "Measure",
    "Mpremote",
    "Outcome",
    "Port",
    "PortLost",
    "Refusal",
    "Row",
    "Rung",
    "Settings",
    "Tally",
    "Tester",
    "Wire",
    "best_ohms",
    "by_resistor",
    "capacitances",
    "choose",
    "examined",
    "flash",
    "kept_constants",
    "loop_henries",
    "open_port",
    "ratio",
    "selftest",
    "serial_ports",
    "series",
    "solenoid_henries",
    "wire_ohms",
]
