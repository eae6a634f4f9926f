"""The profile's rules and expiry in plain sentences, for people and for whoever writes a program on top."""

from __future__ import annotations

from routines.convention import Outward
from routines.profile import BestFocus, Coefficient, Measured, Side
from routines.wording import celsius, counted, fixed, format_value, short, whole


def approach_rule(final_side: Side, overshoot_steps: int | None, outward: Outward) -> str:
    """Return how to come to any position that matters."""
    rising = (final_side == "outward") == (outward == "rising")
    trend = "rising" if rising else "falling"
    past = "below" if rising else "above"
    if overshoot_steps is None:
        return (
            f"Come to every position that matters moving {final_side} (counts {trend}), from far enough "
            f"{past} it to take up all play; how far is not known yet."
        )
    return (
        f"Come to every position that matters moving {final_side} (counts {trend}): first go "
        f"{counted(overshoot_steps, 'step')} {past} it, then to it."
    )


def filter_rule() -> str:
    """Return how to change filters."""
    return (
        "Changing filters: new position = old position + offset of the new filter - offset of the old "
        "filter, both reached from the final side at the same temperature."
    )


def temperature_rule(coefficient: Coefficient | None, reference_c: float | None) -> str:
    """Return how to follow the temperature."""
    if coefficient is None or coefficient.value is None or coefficient.u is None:
        return "Temperature: no coefficient is known, so focus again when the temperature has changed."
    words = format_value(coefficient.value, coefficient.u, signed=True)
    rule = f"Temperature: add {words} steps for each degree C that it has risen"
    if reference_c is not None:
        rule += f" since {celsius(reference_c)}"
    if coefficient.valid_from_c is not None and coefficient.valid_to_c is not None:
        rule += f"; seen between {fixed(coefficient.valid_from_c, 1)} and {celsius(coefficient.valid_to_c)}"
    return rule + "."


def best_focus_rule(best: BestFocus, reference_filter: str) -> str:
    """Return where focus was, by the reference filter where possible."""
    if best.position_steps is None or best.position_steps.value is None:
        return "Best focus: not known."
    at = "" if best.temperature_c is None else f" at {celsius(best.temperature_c)}"
    others = "; other filters add their offset" if best.filter == reference_filter else ""
    return (
        f"Best focus: filter {best.filter} was in focus at {whole(best.position_steps.value)}{at}, "
        f"reached moving {best.branch}{others}."
    )


def reversal_rule(backlash: Measured | None, transition: Measured | None) -> str:
    """Return what a reversal costs."""
    if backlash is None:
        return "Reversals: the lost motion is not known, so always finish from the same side."
    if backlash.value is None or backlash.u is None:
        return f"Reversals: at most {short(backlash.high95)} steps of travel are lost."
    words = f"Reversals: the first {format_value(backlash.value, backlash.u)} steps of travel are lost"
    if transition is not None and transition.value is not None and transition.value >= 1.0:
        words += f"; the drawtube takes hold gradually, over about {whole(transition.value)} steps"
    return words + "."


def rules_in_words(
    *,
    best: BestFocus,
    reference_filter: str,
    backlash: Measured | None,
    transition: Measured | None,
    coefficient: Coefficient | None,
    reference_c: float | None,
    approach: str,
) -> tuple[str, ...]:
    """Return every rule, in the order in which a person needs them."""
    return (
        approach,
        best_focus_rule(best, reference_filter),
        filter_rule(),
        reversal_rule(backlash, transition),
        temperature_rule(coefficient, reference_c),
    )


def expiry(coefficient: Coefficient | None) -> tuple[str, ...]:
    """Return what ends the profile's validity, whole or in part."""
    lines = [
        "positions (crossings and best focus): the focuser loses power, is set to zero again, or loses steps",
        "everything: optics, spacing, filters, focuser or its gearing are changed or taken apart",
        "backlash: a much heavier or lighter load, or another altitude if gravity loads one flank",
    ]
    if (
        coefficient is not None
        and coefficient.valid_from_c is not None
        and coefficient.valid_to_c is not None
    ):
        low, high = fixed(coefficient.valid_from_c, 1), celsius(coefficient.valid_to_c)
        lines.append(f"temperature coefficient: outside {low} to {high} it is an extrapolation")
    return tuple(lines)
