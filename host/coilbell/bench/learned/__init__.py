"""What the bench has learned: of spreads between good units, of shares of causes, and which sources it
trusts.

store       the file beside the references that keeps what each file and log tells; made anew by content
shelved     good units of the references;  logged  good units of the log, by their outcomes
lent        a reference as it is judged by: without distrusted sources, with what was learned elsewhere
"""
