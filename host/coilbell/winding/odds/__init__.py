"""How probable: kinds of winding, references, what healthy units ring like, and the odds of each cause.

`reference` and `kind` say what is known beforehand, `healthy` turns them into a density of rings, `severity`
spreads each fault over what is possible, `cause` and `likelihood` weigh them. It may use `tank`, and makes no
sentences. Other packages use the names that `coilbell.winding` offers.
"""
