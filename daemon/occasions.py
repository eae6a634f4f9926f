"""When a schedule is due: cron lines and intervals (APScheduler's triggers) and the Sun's descent.

Triggers only compute times; who starts what, and what becomes of a missed moment, is `daemon.schedule`'s.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from apscheduler.triggers.cron import CronTrigger

from routines.sun import sinks_below_unix_s, sun_altitude_deg

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.config.tables import ScheduleTable, SiteTable

NextAfter = Callable[[datetime], datetime | None]
"""The first moment strictly after one, in UTC; None when there is none in sight."""

_SUN_WITHIN_S = 400 * 86_400.0


def zone_of(config: Config) -> tzinfo:
    """Return the time zone in which cron lines and windows are meant: configured, or the machine's."""
    name = config.service.timezone
    if name is not None:
        return ZoneInfo(name)
    from tzlocal import get_localzone

    return get_localzone()


def next_after(
    table: ScheduleTable, site: SiteTable | None, zone: tzinfo, begun: datetime
) -> NextAfter | None:
    """Return the function that tells a schedule's moments; None for one that goes by the temperature.

    Intervals count from ``begun``.
    """
    if table.at is not None:
        return _cron(table.at, zone)
    if table.every_s is not None:
        return _interval(table.every_s, begun)
    if table.sun_below_deg is not None and site is not None:
        return _sun(table.sun_below_deg, table.minutes_after, site)
    return None


def _cron(line: str, zone: tzinfo) -> NextAfter:
    """Return a cron line's moments: by the clock on the wall, each wall time once.

    When the clock goes back an hour comes twice; a moment in its second round is not another one. A moment
    in the hour that is left out when the clock goes forward is taken as the trigger shifts it.
    """
    trigger = CronTrigger.from_crontab(line, timezone=zone)

    def after(moment: datetime) -> datetime | None:
        start = moment
        while True:
            asked = (start + timedelta(seconds=1)).astimezone(zone)
            found: datetime | None = trigger.get_next_fire_time(None, asked)
            if found is None:
                return None
            found_utc = found.astimezone(UTC)
            if found_utc > moment and not _second_round(found_utc, zone):
                return found_utc
            start = max(found_utc, start + timedelta(seconds=1))

    return after


def _second_round(moment: datetime, zone: tzinfo) -> bool:
    return moment.astimezone(zone).fold == 1


def _interval(every_s: float, begun: datetime) -> NextAfter:
    def after(moment: datetime) -> datetime:
        done = max(0.0, (moment - begun).total_seconds()) // every_s
        return begun + timedelta(seconds=(done + 1) * every_s)

    return after


def _sun(below_deg: float, minutes_after: float, site: SiteTable) -> NextAfter:
    shift = timedelta(minutes=minutes_after)

    def after(moment: datetime) -> datetime | None:
        found = sinks_below_unix_s(
            (moment - shift).timestamp() + 1.0,
            below_deg,
            site.latitude_deg,
            site.longitude_deg,
            _SUN_WITHIN_S,
        )
        return None if found is None else datetime.fromtimestamp(round(found), UTC) + shift

    return after


def why_not_now(table: ScheduleTable, site: SiteTable | None, zone: tzinfo, now: datetime) -> str | None:
    """Return why a schedule may not start at this moment, None when it may."""
    if table.window is not None:
        begin, end = table.window
        wall = now.astimezone(zone).strftime("%H:%M")
        inside = begin <= wall < end if begin < end else wall >= begin or wall < end
        if not inside:
            return f"{wall} is outside its window {begin} to {end}"
    if table.only_while_sun_below_deg is not None and site is not None:
        altitude = sun_altitude_deg(now.timestamp(), site.latitude_deg, site.longitude_deg)
        if altitude >= table.only_while_sun_below_deg:
            return f"the Sun is at {altitude:.1f} degrees, not below {table.only_while_sun_below_deg:g}"
    return None
