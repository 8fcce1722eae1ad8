"""The tester's circuit as data: one netlist, and everything that is made from it.

netlist    reads tester.cir and parts.toml: parts, pins, nets, values
deck       netlist + models + what is on the leads -> ngspice -> waveforms
proof      each claim about the circuit as a simulation; simulated.json keeps the figures
notes      the figures into the marked blocks and pictures of the notes
schematic  the drawn circuit diagram (on sheet), its wires checked against the netlist
plan       where everything of the printed board lies
printed    the printed board for KiCad (footprints, tracks by maze, words by silk); printed_picture draws it
export     Gerber, drill and position files out of KiCad
gerber     a board as its maker reads it, copper as pixels
fabrication the package to order with, and its check
copper     resistance and inductance of the package's copper, into every deck; ringpath names what it keeps
first      the first board, of first.cir and first.toml; breadboard places it
readings   what a meter shows on a good board
partslist  parts.csv
"""
