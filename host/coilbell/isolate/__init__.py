"""From symptoms and ring findings to the part to take out next. Imports no board and no screen."""

from coilbell.isolate.caution import LEVELS, Live, apart, cautions, check_level, may
from coilbell.isolate.dissipation import Dissipation, dissipation
from coilbell.isolate.equipment import (
    UNKNOWN,
    Equipment,
    Hypothesis,
    Outcome,
    Row,
    Step,
)
from coilbell.isolate.evidence import Evidence, seen
from coilbell.isolate.kindfile import LONGEST_KIND, decode, shipped
from coilbell.isolate.linerate import (
    LINE_RATES,
    Heard,
    LineRate,
    Listening,
    line_rate_evidence,
    listen,
    rates_near,
    tone_evidence,
)
from coilbell.isolate.meter import Meter, Reading
from coilbell.isolate.odds import Contradiction, Move, Odds, chances, odds
from coilbell.isolate.plan import RISK_MINUTES, Proposal, information, plan, settling
from coilbell.isolate.ratio import RAIL_SCATTER, Ratio, common_ratio, ratio_evidence
from coilbell.isolate.resistance import parallel, reading_over_network
from coilbell.isolate.ringing import implied_state, ratio_of_ring, ring_evidence, ring_step
from coilbell.isolate.tone import CLOCK_PPM, Tone, tones

__all__ = [
    "CLOCK_PPM",
    "LEVELS",
    "LINE_RATES",
    "LONGEST_KIND",
    "RAIL_SCATTER",
    "RISK_MINUTES",
    "UNKNOWN",
    "Contradiction",
    "Dissipation",
    "Equipment",
    "Evidence",
    "Heard",
    "Hypothesis",
    "LineRate",
    "Listening",
    "Live",
    "Meter",
    "Move",
    "Odds",
    "Outcome",
    "Proposal",
    "Ratio",
    "Reading",
    "Row",
    "Step",
    "Tone",
    "apart",
    "cautions",
    "chances",
    "check_level",
    "common_ratio",
    "decode",
    "dissipation",
    "implied_state",
    "information",
    "line_rate_evidence",
    "listen",
    "may",
    "odds",
    "parallel",
    "plan",
    "rates_near",
    "ratio_evidence",
    "ratio_of_ring",
    "reading_over_network",
    "ring_evidence",
    "ring_step",
    "seen",
    "settling",
    "shipped",
    "tone_evidence",
    "tones",
]
