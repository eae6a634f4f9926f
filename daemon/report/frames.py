"""The frames that a report shows: at focus and at both ends, each beside what the fit expects."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.report.markup import Markup, tag
from routines.convention import to_counts
from routines.observations import Observation
from routines.wording import fixed, format_value

if TYPE_CHECKING:
    from daemon.portraits import Portrait
    from routines.estimate.result import JointFit
    from routines.profile import Profile

_PANELS = (("seen", "as seen"), ("expected", "as expected"), ("left_over", "left over"))


@dataclass(frozen=True, slots=True)
class ShownFrame:
    """A frame that the report shows: which it is, in words, and its portrait."""

    title: str
    portrait: Portrait


def worth_showing(
    profile: Profile,
    fit: JointFit,
    observations: Sequence[Observation],
    portray: Callable[[str], Portrait | None] | None,
) -> tuple[ShownFrame, ...]:
    """Return the reference filter's frames nearest to focus and furthest from it on either side."""
    aside = set(fit.outliers)
    seen = [
        (item, item.value_px)
        for item in observations
        if item.value_px is not None
        and item.path is not None
        and item.filter == profile.reference_filter
        and item.number not in aside
    ]
    if portray is None or not seen:
        return ()
    ordered = sorted(seen, key=lambda pair: pair[0].position_steps)
    nearest = min(seen, key=lambda pair: abs(pair[1]))
    chosen = {"innermost": ordered[0][0], "nearest to focus": nearest[0], "outermost": ordered[-1][0]}
    shown = ((_title(profile, words, item), portray(str(item.path))) for words, item in chosen.items())
    return tuple(ShownFrame(title, portrait) for title, portrait in shown if portrait is not None)


def _title(profile: Profile, words: str, item: Observation) -> str:
    return f"{words}: {item.filter} at {to_counts(item.position_steps, profile.outward)} steps"


def frames(shown: Sequence[ShownFrame]) -> Markup | None:
    """Return the section with the frames, or None without any."""
    if not shown:
        return None
    words = (
        "Light is drawn as its root. Left over is what the fit does not explain, in standard deviations of "
        "each pixel's noise: middle grey is nothing, black and white are five."
    )
    return tag(
        "section",
        tag("h2", "Frames"),
        [_row(item) for item in shown],
        tag("p", words, class_="caption"),
    )


def _row(item: ShownFrame) -> Markup:
    portrait = item.portrait
    name = Path(str(portrait["path"])).name
    panels = [
        tag(
            "figure",
            tag(
                "div",
                tag("img", src=f"data:image/png;base64,{portrait[key]}", alt=f"{item.title}, {words}"),
                class_="star",
            ),
            tag("figcaption", words),
        )
        for key, words in _PANELS
        if portrait.get(key)
    ]
    return tag(
        "div",
        tag("h3", item.title[0].upper() + item.title[1:]),
        tag("div", panels, class_="panels"),
        tag("p", f"{_measured(portrait)} Frame {name}.", class_="caption"),
        class_="figure",
    )


def _measured(portrait: Portrait) -> str:
    value, u, share = portrait["defocus_um"], portrait["defocus_u_um"], portrait["share_of_allowed"]
    if value is None or not u:
        return str(portrait.get("message") or "Not measured.")
    words = f"Defocus {format_value(value, u, signed=True)} um"
    return f"{words}." if share is None else f"{words}: {fixed(abs(share), 2)} of the allowed miss."
