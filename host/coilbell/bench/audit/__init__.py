"""What findings said, held against what items were in the end; and what the bench's own units say of the
shipped assumptions.

::

    cases        the log -> one case for each item: what was stated last before its end was told, and the end
    scores       cases -> shares with intervals, Brier and log score, calibration gap
    ranking      the worksheet's ranking of causes against the cause that was found
    spreads      spreads between good units against those of their kind
    shares       shares of causes against those that ship
    audit        all of it, as facts
    invented     a log of 60 invented repairs, for the demo and for tests

Everything is one pass over the items with an outcome; nothing is kept, so that a new outcome costs nothing.
"""

from coilbell.bench.audit.audit import audit
from coilbell.bench.audit.invented import invented_log

__all__ = ["audit", "invented_log"]
