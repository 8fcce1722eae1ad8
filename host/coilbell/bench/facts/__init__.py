"""What is shown, kept and exchanged, in types: fits, findings, comparisons, worksheets, references, items.

Each is a frozen struct that is checked when it is read: names, types, and bounds wherever physics sets one.
Words, pictures, pages, reports and JSON are all made from these; nothing here makes sentences of its own. A
field is added in one line; one that older files lack needs a default.
"""
