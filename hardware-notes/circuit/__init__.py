"""The tester's circuit as data: one netlist, and everything that is made from it.

netlist    reads tester.cir and parts.toml: parts, pins, nets, values
deck       netlist + models + what is on the leads -> ngspice -> waveforms
proof      each claim about the circuit as a simulation; simulated.json keeps the figures
notes      the figures into the marked blocks and pictures of the notes
schematic  the drawn circuit diagram (on sheet), its wires checked against the netlist
stripboard the stripboard layout (of strips), checked against the netlist; stripboard_picture draws it
printed    the printed board for KiCad (footprints, tracks by maze); printed_picture draws it
readings   what a meter shows on a good board
partslist  parts.csv
"""
