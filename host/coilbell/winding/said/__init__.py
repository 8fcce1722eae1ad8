"""What is told: verdicts, findings and comparisons with their reasons, limits, doubts and the next step.

It may use `tank` and `odds`; nothing in them uses it. Other packages use the names that `coilbell.winding`
offers.
"""
