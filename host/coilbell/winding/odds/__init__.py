"""How probable: kinds of winding, references, what healthy units ring like, and the odds of each cause.

`reference` and `kind` say what is known beforehand, `healthy` turns them into where good units ring.
`hypothesis` and `severity` spread each fault over what is possible, `attachment` and `stage` what a set
connects; `density` and `sets` weigh rings against them, `posterior` puts all together. It may use `tank`, and
makes no sentences. Other packages use the names that `coilbell.winding` offers.
"""
