"""What must hold between the keys of [port] and the rest of a config."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator, Mapping
from typing import Any

from daemon.config.problems import shown

Raw = Mapping[str, Any]
Finding = tuple[str, str | None, str]


def port_findings(raw: Raw) -> Iterator[Finding]:
    """Yield every contradiction about the offered port."""
    port = raw.get("port")
    if not isinstance(port, Mapping):
        return
    link, listen = port.get("link"), port.get("listen")
    if link is None and listen is None:
        yield "port", None, 'says neither link = "NAME" nor listen = "127.0.0.1:PORT"; one is needed'
    elif link is not None and listen is not None:
        yield "port.listen", shown(listen), f"port.link = {shown(link)} is given too; choose one"
    if isinstance(listen, str):
        yield from _listen(listen)
    yield from _limits(port, raw.get("limits"))


def _listen(listen: str) -> Iterator[Finding]:
    host, _, number = listen.rpartition(":")
    if number.isdecimal() and not 0 < int(number) <= 65535:
        yield "port.listen", shown(listen), "a TCP port is a number from 1 to 65535"
    if not _is_loopback(host):
        message = (
            "moves a motor for anyone on the network, without asking who; listen on 127.0.0.1, and lead "
            "others there through a tunnel that asks (ssh -L)"
        )
        yield "port.listen", shown(listen), message


def _is_loopback(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _limits(port: Raw, limits: Any) -> Iterator[Finding]:
    low, high = port.get("low_steps"), port.get("high_steps")
    if isinstance(low, int | float) and isinstance(high, int | float) and low >= high:
        yield "port.low_steps", shown(low), f"must be below port.high_steps = {high:g} steps"
    if not isinstance(limits, Mapping):
        return
    lowest, highest = limits.get("low_steps"), limits.get("high_steps")
    for key, value in (("low_steps", low), ("high_steps", high)):
        numbers = [item for item in (lowest, value, highest) if isinstance(item, int | float)]
        if len(numbers) == 3 and sorted(numbers) != numbers:
            yield f"port.{key}", shown(value), f"must lie inside [limits], {lowest:g} to {highest:g} steps"
