"""Times as a person at the bench reads them. What is kept, and JSON, stay in UTC."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone

__all__ = ["local_time"]


def local_time(utc: str) -> str:
    """A kept time as "2031-05-04 11:10 UTC+02:00": in this machine's zone as it was in force then.

    The offset and not the zone's name, which differs between systems. An empty text stays one.
    """
    if not utc:
        return ""
    moment = datetime.fromisoformat(utc).astimezone()
    return f"{moment.astimezone(timezone(moment.utcoffset() or timedelta())):%Y-%m-%d %H:%M %Z}"
