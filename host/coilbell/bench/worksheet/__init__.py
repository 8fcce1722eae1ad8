"""The isolation worksheet: entries that are only ever added, what a technician types, and its words.

`sheet` keeps and opens worksheets (in a file; the log offers its own keeper), `typed` reads what was typed,
`words` and `sentences` tell. It does not know the log; the log knows it.
"""
