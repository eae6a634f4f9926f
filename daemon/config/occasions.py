"""What must hold in the tables of the service and of its schedule; raw tables in, findings out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from daemon.config.problems import shown

Raw = Mapping[str, Any]
Finding = tuple[str, str | None, str]

MOMENTS = ("at", "every_s", "sun_below_deg", "temperature_shift_c")


def schedule_findings(raw: Raw) -> Iterator[Finding]:
    """Yield every contradiction in the ``[[schedule]]`` tables."""
    tables = raw.get("schedule")
    names: dict[str, int] = {}
    for index, item in enumerate(tables if isinstance(tables, list) else [], start=1):
        if not isinstance(item, Mapping):
            continue
        key = f"schedule[{index}]"
        yield from _moment(item, key)
        yield from _routine(item, key)
        yield from _cron(item, key)
        yield from _needs_site(raw, item, key)
        yield from _window(item, key)
        name = item.get("name")
        if isinstance(name, str) and name in names:
            yield f"{key}.name", shown(name), f"schedule[{names[name]}] has this name already"
        elif isinstance(name, str):
            names[name] = index


def service_findings(raw: Raw) -> Iterator[Finding]:
    """Yield every contradiction in ``[service]`` and ``[hooks]``."""
    service = raw.get("service")
    if isinstance(service, Mapping):
        yield from _zone(service)
        yield from _listen(service)
    hooks = raw.get("hooks")
    if isinstance(hooks, Mapping) and hooks.get("mask") == "stays_on" and "mask_on" in hooks:
        yield "hooks.mask_on", None, 'is never run while hooks.mask = "stays_on"; leave one of the two out'


def parsed_address(text: str) -> tuple[str, int]:
    """Return host and port of "HOST:PORT" or "[V6]:PORT"; ValueError says what is wrong."""
    host, colon, port = text.rpartition(":")
    if not colon or not host:
        raise ValueError("must be HOST:PORT, for example 127.0.0.1:8642 or [::1]:8642")
    if not port.isascii() or not port.isdigit() or not 0 <= int(port) <= 65_535:
        raise ValueError(f"{port!r} is no port number (0 to 65535; 0 takes a free one)")
    if host.startswith("[") and host.endswith("]"):
        host = host[1:-1]
    elif ":" in host:
        raise ValueError("an IPv6 address goes in brackets, for example [::1]:8642")
    return host, int(port)


def _moment(item: Raw, key: str) -> Iterator[Finding]:
    given = [name for name in MOMENTS if name in item]
    if not given:
        yield key, None, f"says no moment; give exactly one of {', '.join(MOMENTS)}"
    elif len(given) > 1:
        yield (
            f"{key}.{given[1]}",
            shown(item[given[1]]),
            f"{given[0]} is given too; exactly one moment may be",
        )


def _routine(item: Raw, key: str) -> Iterator[Finding]:
    from routines.scripts.catalogue import ROUTINES

    name = item.get("routine")
    if isinstance(name, str) and name and name not in ROUTINES:
        yield f"{key}.routine", shown(name), f"there is no such routine; there are {', '.join(ROUTINES)}"


def _cron(item: Raw, key: str) -> Iterator[Finding]:
    line = item.get("at")
    if not isinstance(line, str):
        return
    from apscheduler.triggers.cron import CronTrigger

    try:
        CronTrigger.from_crontab(line, timezone="UTC")
    except (ValueError, TypeError, AttributeError) as error:
        yield (
            f"{key}.at",
            shown(line),
            f'is no cron line ({error}); minute, hour, day, month, weekday: "30 21 * * *" is 21:30 daily',
        )


def _needs_site(raw: Raw, item: Raw, key: str) -> Iterator[Finding]:
    for name in ("sun_below_deg", "only_while_sun_below_deg"):
        if name in item and "site" not in raw:
            yield (
                f"{key}.{name}",
                shown(item[name]),
                "the Sun's altitude needs [site] latitude_deg and longitude_deg",
            )


def _window(item: Raw, key: str) -> Iterator[Finding]:
    window = item.get("window")
    if isinstance(window, list) and len(window) == 2 and window[0] == window[1]:
        yield f"{key}.window", shown(window), "begins and ends at the same time; leave it out for all day"


def _zone(service: Raw) -> Iterator[Finding]:
    name = service.get("timezone")
    if not isinstance(name, str):
        return
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError):
        yield "service.timezone", shown(name), 'is no time zone, for example "Europe/Vienna" or "UTC"'


def _listen(service: Raw) -> Iterator[Finding]:
    text = service.get("listen")
    if not isinstance(text, str):
        return
    try:
        parsed_address(text)
    except ValueError as error:
        yield "service.listen", shown(text), str(error)
