"""A small invented kind of equipment with round chances, for arithmetic by hand."""

from __future__ import annotations

__all__ = ["LAMP"]

LAMP = """
schema = 1
name = "bench lamp"
summary = "an invented lamp that stays dark"
slip = SLIP
[[hypothesis]]
key = "bulb"
name = "the bulb"
part = "bulb"
prior = 0.5
reason = "bulbs fail"
source = "common practice"
[[hypothesis]]
key = "fuse"
name = "the fuse"
part = "fuse"
prior = 0.3
reason = "fuses fail"
source = "common practice"
[[hypothesis]]
key = "unknown"
name = "something else"
part = "unknown"
prior = 0.2
reason = "no list is complete"
source = "common practice"
[[step]]
key = "filament"
name = "filament"
how = "look"
enter = "filament broken"
live = "none"
hazards = []
minutes = 2
risk = 0
  [[step.outcome]]
  key = "broken"
  name = "broken"
  [[step.outcome]]
  key = "whole"
  name = "whole"
  [[step.row]]
  of = ["bulb"]
  chances = { broken = 0.9, whole = 0.1 }
  reason = "it is the bulb"
  source = "physics"
  [[step.row]]
  of = ["fuse"]
  chances = { broken = 0.1, whole = 0.9 }
  reason = "the bulb is not the fuse"
  source = "physics"
  [[step.row]]
  of = ["unknown"]
  chances = { broken = 0.5, whole = 0.5 }
  reason = "who knows"
  source = "common practice"
[[step]]
key = "ring"
name = "an invented ring"
how = "ring"
enter = "ring log10=1"
measure = "ring"
live = "none"
hazards = []
minutes = 4
risk = 1
  [[step.outcome]]
  key = "whole"
  name = "whole"
  [[step.outcome]]
  key = "shorted"
  name = "shorted"
  [[step.row]]
  of = ["bulb", "fuse"]
  chances = { whole = 0.8, shorted = 0.2 }
  reason = "one"
  source = "computed"
  [[step.row]]
  of = ["unknown"]
  chances = { whole = 0.4, shorted = 0.6 }
  reason = "two"
  source = "computed"
"""
