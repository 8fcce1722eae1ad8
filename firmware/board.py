# The one file that names pins, limits and the board's constants. Whole numbers only.
# A board built otherwise is adapted here and nowhere else.

# Which design of the board this is, "full" or "first": `coilbell board flash --design first` writes the
# other.
DESIGN = "full"

FIRMWARE = "1.3.0"
# The first board: fifteen parts on a breadboard (hardware-notes/circuit/first.cir). Nothing protects its
# leads, so that it is for new parts on the bench only.
FIRST = DESIGN == "first"

# Pins, by GPIO number. Converter inputs are GPIO 26 + channel.
PULSE_PIN = 15
RING_CHANNEL = 0  # the winding, biased to mid-scale
# The leads behind the high-ohm divider, raised so that either polarity shows; the first board's amplifier
# lets their direct voltage through.
LEAD_CHANNEL = 0 if FIRST else 1
LOOP_CHANNEL = 2  # the pulse pin behind a divider: the loop-back that shows the latency

# Test capacitors: letter, pin that switches it in, value [fF], tolerance [ppm], tan(delta) [ppm], resistance
# in series [microhm] and its standard uncertainty, until a check refines it. The resistance is that of the
# printed board's copper (hardware-notes/circuit/copper.json), of the switch that is on, 5.4 milliohm, and
# what the input's load makes that rises as the square of the frequency, most beside B (simulated:
# hardware-notes/circuit/claims/corrected.py).
CAPACITORS = (
    ("A", 16, 22_000_000, 10_000, 100, 8_200, 1_000),
    ("B", 17, 2_200_000, 10_000, 100, 106_000, 30_000),
    ("C", 18, 100_000_000, 20_000, 200, 7_400, 1_000),
)
if FIRST:
    # Soldered to the leads; 7 milliohm are two legs of 5 mm and a joint each (assumed).
    CAPACITORS = (("A", 16, 22_000_000, 50_000, 200, 7_000, 4_000),)
# From switching a capacitor to the next shot: until the one switched off no longer changes, three times the
# 0.1 s that its transistor's drain takes to rise.
SETTLE_MS = 300

# Limits of a shot. The hardware bounds the pulse as well, after 14 us at the earliest, and the pulse program
# cannot count beyond frame.MAX_WIDTH_TICKS; this lies below both, so that the width a record tells is the
# width there was.
MAX_WIDTH_NS = 12_000
MAX_SHOTS = 999  # of one request, times its interleave
REST_MS = 15  # from the end of a shot to the next
MAX_SHOTS_PER_S = 40

# Limit for a voltage already on the leads, either polarity [mV]; a voltage that will reach it within the
# horizon if it goes on as it does counts as well.
LEAD_LIMIT_MV = 500
LEAD_HORIZON_MS = 20
LEAD_END_CODES = (
    8  # so near the converter's ends a reading stands for any voltage beyond (its noise is 1 or 2)
)
LEAD_READINGS = 11  # 1 ms apart: they span half a period of 50 Hz, so its peak is seen

# The band that aim brings the first peak into, at the winding [uV]: well above the converter's steps, below
# where silicon junctions begin to conduct.
AIM_LOW_UV = 100_000 if FIRST else 250_000
AIM_HIGH_UV = 190_000 if FIRST else 400_000
# Amplitudes that a request may name instead [mV]: from what stands out of the converter's noise to what its
# range holds, 3.3 V / 2 / 3 at a gain of 3, with 5 % to spare.
AIM_LEAST_MV = 20
AIM_MOST_MV = 520

# Constants: name, value until calibrated, lowest, highest that can be true. The values are those of the
# circuit in hardware-notes with every part at its nominal value; NAME_uncertainty_UNIT is the standard
# uncertainty of NAME_UNIT.
CONSTANTS = [
    ("offset_code_16", 2048 * 16, 512 * 16, 3584 * 16),  # code at 0 V, in sixteenths
    ("converter_nv", 805_664, 400_000, 1_600_000),  # nV per code at the converter: 3.3 V / 4096
    ("gain_ppm", 3_000_000, 100_000, 20_000_000),  # converter volts per winding volt: 1 + 2 k / 1 k
    # Where amplifier and filter take 3 dB, one pole; 0: not known (simulated: hardware-notes/circuit.md,
    # frequency response).
    ("bandwidth_hz", 730_000, 0, 100_000_000),
    ("stray_ff", 1_900_000, 0, 10_000_000),  # leads, input and open switches, across the winding
    ("stray_uncertainty_ff", 300_000, 0, 10_000_000),
    # Conductance across the winding: 42.5 nS, over boards of drawn parts 1.9 nS more or less (simulated: as
    # the series resistances below), and what warmth adds.
    ("input_psi", 42_000, 0, 1_000_000_000),
    ("input_uncertainty_psi", 5_000, 0, 1_000_000_000),
    # Rate, in 1000 s, at which open leads with A lose their voltage by what a ring does not see: the bleeder,
    # which follows the ring, and the amplifier's coupling. From hardware-notes, circuit/claims/ringing.py.
    ("coupling_per_ks", 39_680, 0, 1_000_000),
    # Start of the converter to its first sample; what is measured of a latency near 0 may lie below it.
    ("latency_ps", 0, -20_000, 2_000_000),
    ("latency_uncertainty_ps", 200_000, 0, 2_000_000),
    ("lead_offset_code_16", 11_917, 128 * 16, 3584 * 16),  # 0 V at the leads, raised to 0.60 V
    ("lead_uv", 8_861, 100, 1_000_000),  # uV at the leads per code: 1/114.1 of it, times 10.375
]
# Between the posts and the winding: test leads as hardware-notes/calibration.md asks for, 7 milliohm (0.6 m
# of 1.5 mm2), and both clips' contacts, 50 milliohm as is usual, more or less (common practice, no published
# source); and a winding on the posts themselves, 0.1 m of that wire.
CONSTANTS += [
    ("clips_uohm", 57_000, 0, 10_000_000),
    ("clips_uncertainty_uohm", 30_000, 0, 10_000_000),
    ("posts_uohm", 1_200, 0, 10_000_000),
    ("posts_uncertainty_uohm", 600, 0, 10_000_000),
]
# 1: leads that nothing protects. No other value can be true, so that constants kept on a board that was built
# as the other design are not read.
_design = 1 if FIRST else 0
CONSTANTS.append(("design", _design, _design, _design))
if FIRST:
    # Simulated: hardware-notes/circuit/first.py, section "first" of simulated.json.
    _FIRST = {
        "gain_ppm": 2_978_000,
        "bandwidth_hz": 3_780_000,
        "stray_ff": 29_000,
        "stray_uncertainty_ff": 10_000,
        "input_psi": 579_000,
        "input_uncertainty_psi": 30_000,
        "coupling_per_ks": 30_371,
        "lead_offset_code_16": 32_733,
        "lead_uv": 537,
    }
    CONSTANTS = [(_name, _FIRST.get(_name, _value), _low, _high) for _name, _value, _low, _high in CONSTANTS]
for _letter, _pin, _ff, _tolerance, _loss, _uohm, _spread in CAPACITORS:
    CONSTANTS.append((_letter + "_ff", _ff, 1_000, 2_000_000_000))
    CONSTANTS.append((_letter + "_tolerance_ppm", _tolerance, 1, 500_000))
    CONSTANTS.append((_letter + "_loss_ppm", _loss, 0, 500_000))
    CONSTANTS.append((_letter + "_series_uohm", _uohm, 0, 10_000_000))
    CONSTANTS.append((_letter + "_series_uncertainty_uohm", _spread, 0, 10_000_000))
# Codes of the converter that are wider than one count: which, by how many thousandths of a count, and how
# uncertain that is. Code 0: no step kept here.
STEPS = 4
for _number in range(1, STEPS + 1):
    CONSTANTS.append(("step%d_code" % _number, 0, 0, 4095))
    CONSTANTS.append(("step%d_mcode" % _number, 0, 0, 100_000))
    CONSTANTS.append(("step%d_uncertainty_mcode" % _number, 0, 0, 100_000))
