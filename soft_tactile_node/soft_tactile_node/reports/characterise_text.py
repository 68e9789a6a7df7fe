"""What a comparison of specimens comes to, in sentences and as a table for a terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from soft_tactile_node.calibration.judgement import describe_calibration
from soft_tactile_node.characterisation.ageing import Ageing, Drift
from soft_tactile_node.characterisation.compare import Effect, find_spread, main_effects
from soft_tactile_node.characterisation.table import Characterised, Kind, shown_kinds
from soft_tactile_node.reports.numbers import format_figure, format_value

HEADLINES = ("force_error", "snr")
"""Figures that the verdict on several specimens names."""

CAUSE_WORDS = {
    "gain": "it answers {way} to the same force (gain)",
    "offset": "its channels rest elsewhere (offset)",
    "memory": "it remembers earlier loads {way} (memory)",
}


def conclusions(items: Sequence[Characterised], ageing: Sequence[Ageing], failed: Mapping[str, str]) -> list[str]:
    """Return everything the comparison comes to, the verdict first.

    Parameters
    ----------
    items : sequence of Characterised
        The specimens, at least one.
    ageing : sequence of Ageing
        Fingers over time.
    failed : mapping of str to str
        Specimens that could not be characterised, with the reason.

    Returns
    -------
    list of str
        Sentences.
    """
    kinds = shown_kinds(items)
    effects = effect_sentences([main_effects(items, kind) for kind in kinds])
    return [*verdict(items, ageing, failed), *effects, *spread_sentences(items, kinds), *trend_sentences(ageing)]


def verdict(items: Sequence[Characterised], ageing: Sequence[Ageing], failed: Mapping[str, str]) -> list[str]:
    """Return the few sentences that a reader needs first.

    Parameters
    ----------
    items, ageing, failed
        See `conclusions`.

    Returns
    -------
    list of str
        Sentences.
    """
    sentences = [drift_sentence(one) for one in ageing]
    if len(items) == 1:
        sentences += _alone(items[0])
    else:
        sentences += _headlines(items)
    sentences += [f"Not characterised: {label}. {reason}" for label, reason in failed.items()]
    unhealthy = [item for item in items if (health := describe_calibration(item.record, item.record.made_on)).problems]
    for item in unhealthy:
        health = describe_calibration(item.record, item.record.made_on)
        sentences.append(f"Caution: {item.label} gives no usable calibration: {health.problems[0]}.")
    return sentences


def shown(item: Characterised, kind: Kind) -> str:
    """Return the figure `kind` of the specimen `item` with uncertainty and unit, or "not known"."""
    cell = item.cell(kind)
    return "not known" if cell is None else f"{format_figure(cell.value, cell.expanded)} {kind.unit}"


def _alone(item: Characterised) -> list[str]:
    """Return the verdict on one specimen: how good, and what its errors are made of."""
    kinds = {kind.name: kind for kind in shown_kinds([item])}
    span = item.record.ranges.force_normal_n
    error = shown(item, kinds["force_error"])
    sentences = [f"{item.label} tells normal forces up to {span:.2g} N with an rms error of {error} on unseen data."]
    static = ("hysteresis", "non_linearity", "repeatability")
    sizes = {name: cell.value for name in static if name in kinds and (cell := item.cell(kinds[name]))}
    bending = item.cell(kinds["bending_signal"]) if "bending_signal" in kinds else None
    if bending:
        sizes["bending_signal"] = 100.0 * bending.value / span
    if sizes:
        order = sorted(sizes, key=lambda name: -sizes[name])
        words = ", then ".join(f"{kinds[name].title.lower()} ({sizes[name]:.2g} % of span)" for name in order)
        sentences.append(f"What the raw channels get wrong, largest first: {words}.")
    return sentences


def _headlines(items: Sequence[Characterised]) -> list[str]:
    """Return which specimens are best, and whether that is more than their uncertainty."""
    sentences = []
    for kind in (kind for name in HEADLINES for kind in shown_kinds(items) if kind.name == name):
        found = find_spread(items, kind)
        if found is None:
            continue
        sure = (
            "they differ by more than their uncertainty"
            if found.differs
            else "that is within their uncertainty, so neither is better for certain"
        )
        sentences.append(
            f"{kind.title}: of {len(items)} specimens {found.best.label} is best with {shown(found.best, kind)}, "
            f"{found.worst.label} last with {shown(found.worst, kind)}; {sure}."
        )
    return sentences


def spread_sentences(items: Sequence[Characterised], kinds: Sequence[Kind]) -> list[str]:
    """Return what differs by more than its uncertainty between specimens, and what does not.

    Parameters
    ----------
    items : sequence of Characterised
        The specimens.
    kinds : sequence of Kind
        Which figures.

    Returns
    -------
    list of str
        A sentence for each figure that differs, and one for all others.
    """
    sentences, alike = [], []
    for kind in kinds:
        found = find_spread(items, kind)
        if found is None:
            continue
        if found.differs:
            sentences.append(
                f"{kind.title} differs by more than its uncertainty: {found.best.label} is best with "
                f"{shown(found.best, kind)}, {found.worst.label} last with {shown(found.worst, kind)}."
            )
        else:
            alike.append(kind.title.lower())
    if alike:
        sentences.append(f"No difference beyond the uncertainty in: {', '.join(alike)}.")
    return sentences


def effect_sentences(effects: Sequence[Sequence[Effect]]) -> list[str]:
    """Return what the design factors do to each figure, and which figures they leave alone.

    Parameters
    ----------
    effects : sequence of sequence of Effect
        Effects on each figure; an empty one tells nothing.

    Returns
    -------
    list of str
        Sentences.
    """
    sentences = [effect_sentence(found) for found in effects if any(effect.seen for effect in found)]
    alone = [found[0].kind.title.lower() for found in effects if found and not any(effect.seen for effect in found)]
    if alone:
        sentences.append(f"No factor has an effect beyond its uncertainty on: {', '.join(alone)}.")
    return sentences


def effect_sentence(effects: Sequence[Effect]) -> str:
    """Return what design factors do to one figure by its `effects`, at least one, the largest first."""
    kind = effects[0].kind
    seen = sorted((effect for effect in effects if effect.seen), key=lambda effect: -abs(effect.size))
    parts = [
        f"{effect.factor} from {effect.low} to {effect.high} {'raises' if effect.size > 0.0 else 'lowers'} it by "
        f"{format_value(abs(effect.size), effect.uncertainty.expanded)} {kind.unit}"
        for effect in seen
    ]
    unseen = [effect.factor for effect in effects if not effect.seen]
    if unseen:
        parts.append(f"no effect beyond its uncertainty of {', '.join(dict.fromkeys(unseen))}")
    return f"{kind.title}: {'; '.join(parts)}."


def drift_sentence(ageing: Ageing) -> str:
    """Return whether a finger should be calibrated again, and why, by its `ageing`."""
    first = ageing.items[0].made_on
    if ageing.due is None:
        last = ageing.drifts[-1]
        most = f"; the largest change is {_size(last[0])} of {last[0].cause}" if last else ""
        return (
            f"{ageing.finger}: no drift that matters between {first} and {ageing.items[-1].made_on}{most}. The "
            "calibration may stay."
        )
    item, drift = ageing.due
    way = "more" if drift.size > 0.0 else "less"
    sure = "" if abs(drift.size) > drift.uncertainty.expanded else " The expanded uncertainty is larger: confirm it."
    return (
        f"Calibrate {ageing.finger} again: on {item.made_on} {CAUSE_WORDS[drift.cause].format(way=way)} than on "
        f"{first}, by {_size(drift)}, told from {drift.evidence}.{sure}"
    )


def _size(drift: Drift) -> str:
    return f"{format_value(drift.size, drift.uncertainty.expanded)} % of span"


def trend_sentences(ageing: Sequence[Ageing]) -> list[str]:
    """Return which figures follow a trend: a sentence for each finger in `ageing` with three days or more."""
    sentences = []
    for one in ageing:
        seen = [
            f"{trend.kind.title.lower()} by {format_value(trend.slope, trend.uncertainty.expanded)} {trend.kind.unit}"
            for trend in one.trends
            if trend.seen
        ]
        if seen:
            sentences.append(f"{one.finger} changes in 30 days: {'; '.join(seen)}.")
        elif one.trends:
            sentences.append(f"{one.finger}: no figure follows a trend beyond its uncertainty.")
    return sentences


def format_table(items: Sequence[Characterised]) -> str:
    """Return the table of `items` as text: a block for each specimen."""
    lines = []
    for item in items:
        lines.append(f"{item.label}{f', {item.made_on} ({item.dated_by})' if item.made_on else ''}")
        lines += [f"  {kind.title:<30} {shown(item, kind)}" for kind in shown_kinds([item])]
    return "\n".join(lines)
