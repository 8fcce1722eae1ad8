"""What the circuit is: the exact ring of a winding's circuit, faults in it, and the way back from rings.

Plain physics without any odds. `circuit` and `faults` go from parts to ring; `single` and `several` go from
rings with one or several test capacitors back to inductance, stray capacitance and loss, with `tankdoubt`
for what does not fit. Nothing here knows a reference or a kind of winding. Other packages use the names that
`coilbell.winding` offers.
"""
