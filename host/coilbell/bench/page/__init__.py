"""The live page: every shot as it comes, in a browser of this computer.

The server is handed a `Source`, a tester whatever it is, and everything a page shows is made here: the page
itself computes nothing.
"""

from __future__ import annotations

from coilbell.bench.page.desk import Desk
from coilbell.bench.page.keeping import Keeping
from coilbell.bench.page.server import Server
from coilbell.bench.page.source import Leads, Link, Source, Wish

__all__ = ["Desk", "Keeping", "Leads", "Link", "Server", "Source", "Wish"]
