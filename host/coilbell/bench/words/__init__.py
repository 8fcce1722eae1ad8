"""Facts -> text of 80 columns: fits, findings and comparisons, references, recordings of a whistle.

Nothing is computed here that the facts do not already hold.
"""
