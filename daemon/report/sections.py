"""The report's words and tables, in the order in which a person needs them: the answer first."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files
from typing import TYPE_CHECKING

from daemon.report.drawing import Figure
from daemon.report.markup import Markup, join, rows, tag
from daemon.report.points import Point
from routines.flags import MEANINGS
from routines.profile import Measured, Profile
from routines.remarks import Remark, remarks_on
from routines.verdict import Finding, Verdict, Zone
from routines.wording import counted, fixed, format_interval, format_u, format_value, short

if TYPE_CHECKING:
    from daemon.report import ReportContext

_WEIGHT_WORDS = {
    "matters": "matters",
    "partly": "takes part of the zone",
    "no": "does not matter",
    "unknown": "not known",
}
_TOPICS = {"backlash": "Backlash", "offsets": "Filter offsets", "temperature": "Temperature"}


def masthead(profile: Profile, context: ReportContext) -> Markup:
    """Return the head: whose numbers these are, from when, and the colour schemes."""
    schemes = [("paper", "Paper"), ("night", "Night"), ("red", "Deep red")]
    buttons = [
        tag("button", words, type="button", data_choose=name, aria_pressed="false") for name, words in schemes
    ]
    when = profile.created.strftime("%Y-%m-%d %H:%M %Z").strip()
    kicker = f"{when}, {counted(profile.evidence.observations, 'look')}, {context.source}"
    return tag(
        "header",
        tag(
            "div",
            tag("p", kicker, class_="kicker"),
            tag("nav", buttons, class_="schemes", aria_label="Colours"),
            class_="bar",
        ),
        tag("h1", f"Focus train of {profile.rig}"),
        tag("p", MEANINGS["simulated"][1].capitalize(), ".", class_="caution") if profile.simulated else None,
    )


def answer(verdict: Verdict) -> Markup:
    """Return what matters, in words."""
    return tag(
        "section",
        tag("p", verdict.headline, class_="answer"),
        tag("dl", [_finding(finding) for finding in verdict.findings], class_="findings"),
    )


def _finding(finding: Finding) -> Markup:
    weight = tag("span", _WEIGHT_WORDS[finding.weight], class_="weight")
    head = tag("dt", _TOPICS[finding.topic], weight)
    return join([head, tag("dd", [tag("p", sentence) for sentence in finding.sentences])])


def numbers(profile: Profile, verdict: Verdict) -> Markup:
    """Return every number with its uncertainty and interval, beside the focus zone."""
    zone = verdict.zones[0] if verdict.zones else None
    head = ["", "found", "u", "95 % interval", "against the zone"]
    cells: list[list[object]] = [
        _row("Backlash (steps)", profile.backlash_steps, zone),
        _row("Transition (steps)", profile.transition_steps, zone),
        _row("Lost motion to outward (steps)", profile.lost_motion_to_outward_steps, zone),
        _row("Lost motion to inward (steps)", profile.lost_motion_to_inward_steps, zone),
        _row("Temperature (steps per C)", profile.temperature_coefficient_steps_per_c, None, signed=True),
        _row("Slope (px per step)", profile.slope_px_per_step, None, signed=True),
        _row("Step at the sensor (um)", profile.step_um, None),
    ]
    note = (
        ""
        if zone is None
        else (
            f"The zone is {zone.filter}'s, the narrowest: {short(zone.total_steps)} steps in all, limited by "
            f"{zone.limited_by}. A position may be off by half of it."
        )
    )
    return tag(
        "section",
        tag("h2", "The numbers"),
        rows(cells, head, class_="numbers"),
        tag("p", note, class_="caption"),
    )


def _row(name: str, number: Measured | None, zone: Zone | None, *, signed: bool = False) -> list[object]:
    if number is None:
        return [name, "not known", "", "", ""]
    quantity = number.quantity
    if number.value is None or number.u is None:
        return [name, f"at most {short(number.high95)}", "", format_interval(quantity), _share(number, zone)]
    found = format_value(number.value, number.u, signed=signed).split(" ± ")[0]
    return [name, found, format_u(quantity), format_interval(quantity, signed=signed), _share(number, zone)]


def _share(number: Measured, zone: Zone | None) -> str:
    if zone is None:
        return ""
    size = number.high95 if number.value is None else abs(number.value)
    share = size / zone.half_steps
    return (
        f"{share * 100:.0f} % of the allowed miss"
        if share < 1.0
        else f"{fixed(share, 1)} times the allowed miss"
    )


def filters(profile: Profile, verdict: Verdict) -> Markup:
    """Return each filter's offset, crossings and zone."""
    zones = {zone.filter: zone for zone in verdict.zones}
    head = [
        "filter",
        "offset",
        "u",
        "95 % interval",
        "focus moving inward",
        "focus moving outward",
        "focus zone",
        "looks",
    ]
    cells: list[list[object]] = []
    for entry in profile.filters:
        zone = zones.get(entry.name)
        offset = _row(entry.name, entry.offset_steps, None, signed=True)
        cells.append(
            [
                *offset[:4],
                _place(entry.crossing_inward_steps),
                _place(entry.crossing_outward_steps),
                "not known" if zone is None else f"{short(zone.total_steps)}",
                entry.observations,
            ]
        )
    words = f"In steps. Offsets are counted from {profile.reference_filter}, same side, same temperature."
    return tag(
        "section",
        tag("h3", "By filter"),
        rows(cells, head, class_="numbers"),
        tag("p", words, class_="caption"),
    )


def _place(number: Measured | None) -> str:
    if number is None or number.value is None or number.u is None:
        return "not known"
    return format_value(number.value, number.u)


def entries(verdict: Verdict, profile: Profile) -> Markup:
    """Return the numbers to type into other programs, in both sign conventions."""
    if not verdict.entries:
        words = "None yet: what is missing is listed under remarks."
        return tag("section", tag("h2", "To type elsewhere"), tag("p", words))
    cells: list[list[object]] = [
        [item.label, item.value, item.opposite or "", item.u or "", item.unit, item.note]
        for item in verdict.entries
    ]
    reference = profile.reference_filter
    words = (
        f"Offsets, one way: filter minus {reference}, for a program that adds the offset when it changes "
        f"from {reference} to the filter. The other: {reference} minus filter, for one that subtracts it. "
        "All in this controller's counts. If focus gets worse, it was the other column."
    )
    table = rows(cells, ["", "one way", "the other", "u", "", ""], class_="type")
    return tag("section", tag("h2", "To type elsewhere"), table, tag("p", words, class_="caption"))


def rules(profile: Profile) -> Markup:
    """Return how to use the profile and what ends it."""
    return tag(
        "section",
        tag("h2", "How to use it"),
        tag("ul", [tag("li", rule) for rule in profile.rules]),
        tag("h3", "What ends it"),
        tag("ul", [tag("li", line) for line in profile.expires_if]),
    )


def remarks(profile: Profile) -> Markup:
    """Return the flags in words: what is missing and why first, then what u already covers."""
    said = remarks_on(profile)
    return tag(
        "section",
        tag("h2", "Remarks"),
        _remark_list("Not given, and why", [item for item in said if item.kind == "refusal"]),
        _remark_list("Good to know", [item for item in said if item.kind == "note"]),
        None if said else tag("p", "Nothing to remark."),
    )


def _remark_list(title: str, items: list[Remark]) -> Markup | None:
    if not items:
        return None
    lines = [
        tag("li", tag("span", f"{item.about}: ", class_="dim") if item.about else None, item.message)
        for item in items
    ]
    return join([tag("h3", title), tag("ul", lines)])


def evidence(figures: Sequence[Figure]) -> Markup:
    """Return the places for the figures, with their captions."""
    if not figures:
        return tag(
            "section", tag("h2", "Evidence"), tag("p", "No look gave a number, so there is nothing to draw.")
        )
    return tag("section", tag("h2", "Evidence"), [_figure(figure) for figure in figures])


def _figure(figure: Figure) -> Markup:
    label = f"{figure.title} {figure.caption}"
    style = f"height:{figure.height_px}px"
    place = tag("div", id=figure.id, class_="plot", style=style, role="img", aria_label=label)
    caption = tag("p", figure.caption, class_="caption")
    return tag("div", tag("h3", figure.title), tag("div", place, class_="frame"), caption, class_="figure")


def outliers(points: Sequence[Point]) -> Markup:
    """Return the looks that the fit put aside, each with its row."""
    aside = [point for point in points if point.is_outlier]
    if not aside:
        return tag("section", tag("h2", "Looks put aside"), tag("p", "None."))
    head = ["look", "filter", "position", "left over (px)", "weight", "frame"]
    cells: list[list[object]] = [
        [
            point.number,
            point.filter,
            short(point.position),
            "" if point.residual_px is None else f"{point.residual_px:+.2f}",
            f"{point.weight:.2f}",
            "" if point.path is None else point.path.rsplit("/", 1)[-1],
        ]
        for point in aside
    ]
    words = "They disagree with the others by more than their uncertainty allows, and had little say or none."
    return tag("section", tag("h2", "Looks put aside"), tag("p", words), rows(cells, head))


def method() -> Markup:
    """Return how the numbers were computed, with sources."""
    paragraphs = (files("daemon.report") / "method.txt").read_text(encoding="utf-8").split("\n\n")
    return tag("section", tag("h2", "How it was computed"), [tag("p", words) for words in paragraphs])


def settings(profile: Profile, context: ReportContext) -> Markup:
    """Return the settings, versions and the evidence's fingerprint."""
    facts: list[list[object]] = [
        ["software", profile.software],
        ["method", profile.method],
        ["counts", f"{profile.outward} outward"],
        ["final side", profile.final_side],
        ["controller's own compensation", profile.controller_compensation],
        ["run", profile.evidence.run or "none: made from a folder or table"],
        ["looks, SHA-256", profile.evidence.sha256],
    ]
    facts.extend([name, value] for name, value in context.settings.items())
    return tag("section", tag("h2", "Settings"), rows(facts, ["", ""], class_="words"))
