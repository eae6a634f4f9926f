"""What the report says of looks without a mask: widths against position, and both ways to see focus."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from daemon.report.drawing import Figure, inks_for
from daemon.report.figures import error_figure
from daemon.report.markup import Markup, rows, tag
from daemon.report.points import Point, plotted_points
from routines.convention import quantity_to_counts, sign_of
from routines.quantity import Quantity
from routines.wording import format_interval, format_quantity, format_u, format_value, short

if TYPE_CHECKING:
    from routines.estimate.fitted import Values
    from routines.estimate.result import JointFit
    from routines.estimate.width_result import WidthFit
    from routines.observations import Observation
    from routines.profile import FilterEntry, Profile


def width_points(profile: Profile, fit: JointFit, observations: Sequence[Observation]) -> list[Point]:
    """Return a point for every measured look without a mask, where there are looks of both kinds."""
    if fit.width is None or profile.method != "both":
        return []
    return plotted_points(_by_width(profile), _with_width_rows(fit, fit.width), observations)


def width_figure(profile: Profile, fit: JointFit, points: Sequence[Point]) -> Figure | None:
    """Show the widths against position, where the main figure shows the spike errors."""
    if fit.width is None or not points:
        return None
    shown, widths = _by_width(profile), _with_width_rows(fit, fit.width)
    figure = error_figure(shown, widths, points, inks_for(profile, points))
    if figure is None:
        return None
    caption = (
        "Half-flux diameters without the mask. Filled: reached moving inward. Open: moving outward. "
        "The lines are the fitted curves, one for each side; their lowest points are the widths' best focus."
    )
    return replace(figure, id="fig-widths", caption=caption)


def _by_width(profile: Profile) -> Profile:
    return profile.model_copy(update={"method": "width"})


def _with_width_rows(fit: JointFit, widths: WidthFit) -> JointFit:
    return replace(fit, rows=widths.rows, curves=widths.curves, outliers=widths.outliers)


def width_section(profile: Profile, fit: JointFit) -> Markup | None:
    """Return what the widths tell: least width and focus by filter, the arms, and mask minus width."""
    widths = fit.width
    if widths is None:
        return None
    cells = [_row(profile, widths, entry) for entry in profile.filters if widths.observed.get(entry.name, 0)]
    head = [
        "filter",
        "narrowest (px)",
        "narrowest moving inward",
        "narrowest moving outward",
        "mask minus width",
        "u",
        "95 % interval",
        "looks",
    ]
    return tag(
        "section",
        tag("h2", "Star widths, without the mask"),
        rows(cells, head, class_="numbers"),
        tag("p", _caption(profile), class_="caption"),
        tag("ul", [tag("li", line) for line in _arms_in_words(profile, widths)]),
    )


def _row(profile: Profile, widths: WidthFit, entry: FilterEntry) -> list[object]:
    name, difference = entry.name, entry.mask_minus_width_steps
    least = widths.least_width_px.get(name)
    apart: list[object] = ["not known", "", ""]
    if difference is not None and difference.value is not None and difference.u is not None:
        quantity = difference.quantity
        value = format_value(difference.value, difference.u, signed=True).split(" ± ")[0]
        apart = [value, format_u(quantity), format_interval(quantity, signed=True)]
    return [
        name,
        "not known" if least is None else format_quantity(least),
        _place(profile, widths.minima_inward_steps, name),
        _place(profile, widths.minima_outward_steps, name),
        *apart,
        widths.observed[name],
    ]


def _place(profile: Profile, values: Values, name: str) -> str:
    found = values.get(name)
    if found is None:
        return "not known"
    return format_quantity(quantity_to_counts(found, profile.outward))


def _caption(profile: Profile) -> str:
    words = "In steps, where nothing else is said."
    if profile.method == "both":
        words += (
            " The mask's focus and the narrowest star truly differ by the telescope's aberrations; the "
            "difference is measured, not corrected away. Images taken without the mask are sharpest at the "
            "narrowest star."
        )
    return words


def _arms_in_words(profile: Profile, widths: WidthFit) -> list[str]:
    lines = []
    ratio = widths.arm_ratio
    if ratio is not None and ratio.value is not None:
        # With counts that fall outward the arm towards higher counts is the inner one.
        shown = ratio if sign_of(profile.outward) > 0 else _inverted(ratio)
        verdict = "they differ" if widths.arms_differ else "within what the looks can tell they are equal"
        lines.append(
            f"The arm towards higher counts is {format_quantity(shown, '').strip()} times as steep as the "
            f"other: {verdict}."
        )
    if widths.arm_px_per_step is None:
        lines.append("The looks do not reach far enough out on both sides to tell the slope of the arms.")
    else:
        lines.append(
            f"Far from focus the width grows by {format_quantity(widths.arm_px_per_step, 'px')} a step."
        )
    scatter = 100.0 * widths.relative_scatter
    lines.append(f"From look to look the narrowest width scatters by {short(scatter)} % (the air).")
    return lines


def _inverted(ratio: Quantity) -> Quantity:
    assert ratio.value is not None and ratio.u is not None
    value = 1.0 / ratio.value
    return Quantity(value, ratio.u * value**2, 1.0 / ratio.high95, 1.0 / ratio.low95)
