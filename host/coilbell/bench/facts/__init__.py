"""What is shown, kept and exchanged of fits, findings and comparisons: plain values with a schema number.

Words, pictures, pages, reports and JSON are all made from these; nothing here makes sentences of its own.
"""
