"""A judgement that was kept: a finding or a comparison, told apart by what it says it is."""

from __future__ import annotations

from typing import Literal

import msgspec

from coilbell.bench.facts.base import Facts, facts_of
from coilbell.bench.facts.comparison import ComparisonFacts
from coilbell.bench.facts.finding import FindingFacts

__all__ = ["Judgement", "judgement_facts"]

Judgement = FindingFacts | ComparisonFacts


class _Head(Facts, frozen=True, kw_only=True):
    what: Literal["finding", "comparison"]


def judgement_facts(text: str | bytes | msgspec.Raw, where: str) -> Judgement:
    """The finding or comparison in a text. Raises FileError, which says of `where` what is wrong."""
    content = bytes(text) if isinstance(text, msgspec.Raw) else text
    if facts_of(content, _Head, where).what == "finding":
        return facts_of(content, FindingFacts, where)
    return facts_of(content, ComparisonFacts, where)
