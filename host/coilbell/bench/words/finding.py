"""Facts of findings and comparisons -> text of 80 columns."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from coilbell.bench.facts.comparison import AddedFacts, ComparisonFacts
from coilbell.bench.facts.finding import CountFacts, FindingFacts
from coilbell.bench.facts.ring import OddsFacts
from coilbell.bench.words.fit import WIDTH, fraction_words, shown, wrapped
from coilbell.figure import percent
from coilbell.quantities import concise
from coilbell.winding import Explanation, verdict_lines

__all__ = [
    "change_words",
    "comparison_text",
    "count_words",
    "finding_text",
    "hidden_words",
    "odds_words",
]

_PART = 0.05
"""Probability from which a part of the odds is worth a line."""

_BARS = 24
"""Columns of the bar that shows a probability of 1."""


def finding_text(facts: FindingFacts, *, full: bool = False, more: str = "--full") -> str:
    """The facts in words; lines of at most 80 columns, no newline at the end.

    The verdict in at most ten lines; full: with all that it rests on; more: the option that tells the rest.
    A finding made before there were verdicts is always told in full.
    """
    if facts.verdict and not full:
        return "\n".join(verdict_lines(facts.verdict, facts.title, more=more))
    if facts.verdict:
        lines = list(verdict_lines(facts.verdict, facts.title))
    else:
        lines = _headline(facts.title, facts.explanation)
    lines += _odds_lines(facts.shorted_turn, facts.probabilities)
    unseen = facts.cannot_see
    lines += _section("why", [reason for reason in facts.reasons if reason not in unseen])
    lines += _inductance_lines(facts)
    lines += _section("not told apart", [case for case in facts.not_separable if case not in unseen])
    lines += _section("cannot be seen", unseen)
    lines += [wrapped(count_words(facts.count))]
    lines += _section("doubts", facts.doubts)
    if facts.shorted_turn:
        lines += _section("rests on", facts.shorted_turn.basis or ())
    lines += _section("next", [facts.next_step])
    if facts.caution:
        lines += _section("CAUTION", [facts.caution])
    return "\n".join(lines)


def _headline(title: str, explanation: str, relation: str = "") -> list[str]:
    """What was rung and the verdict, on one line where it has room, else each on its own."""
    verdict = explanation.upper() + (f" ({relation})" if relation else "")
    whole = f"{title}: {verdict}" if title else verdict
    if len(whole) <= WIDTH:
        return [whole]
    return [wrapped(f"{title}:", indent=0), wrapped(verdict, indent=0)]


def _inductance_lines(facts: FindingFacts) -> list[str]:
    inductance = facts.inductance_h
    if not inductance:
        return []
    figure = concise(inductance.value, inductance.standard_uncertainty or math.nan, "H")
    held = (
        "if one inductance with one capacitance made these rings, which the doubts deny"
        if facts.impossible
        else "the test capacitor's tolerance included"
    )
    return _section("inductance", [f"{figure}, {held}"])


def count_words(count: CountFacts) -> str:
    """The ring count beside a healthy one's, and what it lacks."""
    usual = "" if count.healthy is None else f" where a healthy one has {count.healthy:.0f}"
    share = math.log(1 / count.fraction) / math.pi
    to = fraction_words(count.fraction)
    return (
        f"{count.rings:.0f} rings to {to} of the first peak{usual}: a count is {share:.2f} Q, so it lacks "
        "the frequency, which tells a shorted turn from a load, and to another fraction it is another number"
    )


def comparison_text(facts: ComparisonFacts, *, full: bool = False, more: str = "--full") -> str:
    """The facts in words; lines of at most 80 columns, no newline at the end.

    The item's verdict with what changed; full: with all that it rests on.
    """
    if facts.verdict:
        changed = () if full else (*change_words(facts), *_connection_words(facts))
        end = "" if full else more
        lines = list(verdict_lines(facts.verdict, facts.title, more=end, instead=changed))
        if not full:
            return "\n".join(lines)
    else:
        lines = _headline(facts.title, facts.explanation, facts.relation)
    if facts.first_judged:
        lines.append(wrapped(f"the first was judged {facts.first_judged}: no odds are given against it"))
    else:
        odds = _odds_lines(facts.shorted_turn, facts.probabilities)
        lines += [*odds, wrapped("all this if the first is whole, which no comparison shows")] if odds else []
    lines += _section("change", facts.reasons)
    lines += _section("cannot be seen", facts.cannot_see)
    lines += _section("doubts", facts.doubts)
    lines += _section("next", [facts.next_step])
    if facts.caution:
        lines += _section("CAUTION", [facts.caution])
    return "\n".join(lines)


def _connection_words(facts: ComparisonFacts) -> tuple[str, ...]:
    """What the set adds, where there is a name for it."""
    if not facts.connection:
        return ()
    return (f"what came is like {facts.connection.name} ({percent(facts.connection.probability)})",)


def change_words(facts: ComparisonFacts) -> list[str]:
    """What changed between the rings of a comparison, with uncertainties."""
    pairs = zip(facts.rings, facts.frequency_ratio, facts.loss_ratio, strict=False)
    lines = [
        f"with {before.capacitor}: frequency times {shown(frequency)}, 1/Q times {shown(loss)}"
        for (before, _), frequency, loss in pairs
    ]
    lines += [
        f"with {before.capacitor}: it rang first, then no longer"
        for before, after in facts.rings
        if not after.rings
    ]
    return [*lines, *_added_loss(facts.added)]


def _added_loss(added: AddedFacts | None) -> list[str]:
    """The conductance that came as the resistance it is like, where it is surely there."""
    conductance = added.siemens[0] if added else None
    value, spread = (conductance.value, conductance.standard_uncertainty) if conductance else (None, None)
    if value is None or spread is None or value <= 2 * spread:
        return []
    return [f"loss added like {concise(1 / value, spread / value / value, 'ohm')} across the winding"]


def odds_words(log10_ratio: float | None) -> str:
    """A likelihood ratio in words: "440 times likelier with a shorted turn than without"."""
    if log10_ratio is None:
        return "likelier with or without a shorted turn by a ratio that is not known"
    factor = 10 ** min(abs(log10_ratio), 6)
    if factor < 1.05:
        return "as likely with a shorted turn as without"
    # Two digits: how far a ratio can be trusted is a matter of decades, not of its last figures.
    rounded = float(f"{factor:.1e}")
    more = f"{factor:.2g}" if factor < 10 else f"{rounded:,.0f}" if factor < 1e6 else "over a million"
    side = "with a shorted turn than without" if log10_ratio > 0 else "without a shorted turn than with one"
    return f"{more} times likelier {side}"


def _odds_lines(shorted: OddsFacts | None, chances: Mapping[Explanation, float] | None) -> list[str]:
    if shorted is None or chances is None:
        return ["  no reference: no odds are given"]
    ratio = shorted.log10_likelihood_ratio
    lines = [
        wrapped(
            f"this ring is {odds_words(ratio)}{_figure(ratio)}; probability of a shorted turn "
            f"{percent(shorted.probability)} from a prior of {percent(shorted.prior)}"
        )
    ]
    lines += [wrapped(words, indent=4) for words in (hidden_words(shorted, chances),) if words]
    for name, chance in sorted(chances.items(), key=lambda item: -item[1]):
        if chance >= 0.005:
            label = "none of these" if name == Explanation.UNDECIDED else name
            lines.append(f"    {label:<18}{percent(chance):>6}  {'=' * round(chance * _BARS)}".rstrip())
    return lines


def _figure(log10_ratio: float | None) -> str:
    return "" if log10_ratio is None else f" (log10 ratio {log10_ratio:+.2f})"


def hidden_words(shorted: OddsFacts, chances: Mapping[Explanation, float]) -> str:
    """Why a turn may be shorted though the ring looks otherwise, "" where that is no part of the odds."""
    looks = {
        Explanation.LOADED: "loaded (they leak)",
        Explanation.LIKE_HEALTHY: "healthy (too slight to show)",
    }
    elsewhere = [words for name, words in looks.items() if chances.get(name, 0.0) >= _PART]
    hidden = shorted.probability - chances.get(Explanation.LIKE_SHORTED, 0.0)
    if not elsewhere or hidden < _PART:
        return ""
    chance = percent(shorted.probability)
    return f"in the {chance} are shorted turns that look {' or '.join(elsewhere)}"


def _section(head: str, items: Sequence[str]) -> list[str]:
    if len(items) == 1:
        return [wrapped(f"{head}: {items[0]}")]
    return [f"  {head}:", *(wrapped(f"- {item}", indent=4) for item in items)] if items else []
