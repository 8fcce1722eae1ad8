"""What is claimed of the circuit, each claim a simulation.

Every function runs ngspice and returns plain figures, rounded by nobody; `circuit.proof` keeps them.
"""
