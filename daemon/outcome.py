"""How a run's end becomes an exit code, the same for every command that waits for one."""

from __future__ import annotations

from daemon.conductor import RunEnd
from daemon.exit_codes import DONE, HARDWARE, NOT_GOOD_ENOUGH, SKY, STOPPED, USAGE

_SKY_CODES = frozenset(
    {
        "no_star",
        "no_mask_pattern",
        "mask_present",
        "too_faint",
        "not_measured",
        "held_too_long",
        "dew",
        "point_at_star",
        "mask_on",
        "mask_off",
    }
)
_CONFIG_CODES = frozenset({"outside_limits", "limit", "description", "unknown_filter"})
_HARDWARE_CODES = frozenset(
    {
        "device",
        "link_lost",
        "port_unavailable",
        "reply_late",
        "reply_invalid",
        "refused",
        "wrong_device",
        "motion_fault",
        "exposure_failed",
        "sensor_failed",
        "wrong_filter",
        "does_not_follow",
    }
)


def exit_code(end: RunEnd) -> int:
    """Return the documented exit code of a run that has ended."""
    if end.state == "done":
        return DONE
    if end.state == "stopped":
        return STOPPED
    code = end.result.get("code", "")
    if code in _SKY_CODES:
        return SKY
    if code in _CONFIG_CODES:
        return USAGE
    return HARDWARE if code in _HARDWARE_CODES else NOT_GOOD_ENOUGH
