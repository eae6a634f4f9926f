"""`drawtube shift`: which offsets the service's compensating port adds to the places that it is asked for."""

from __future__ import annotations

import json

from daemon.commands.client import Client
from daemon.commands.console import tell
from daemon.commands.remote import asked
from daemon.exit_codes import DONE


def shift(url: str | None, filter_name: str | None, temperature: bool | None, *, as_json: bool) -> int:
    """Change what is named (filter "none" takes the offset off), and print what the port is at."""

    def action(client: Client) -> int:
        now = client.get("/v1/port")
        if filter_name is not None or temperature is not None:
            wanted = {
                "filter": now["filter"] if filter_name is None else _filter(filter_name),
                "temperature": now["temperature"] if temperature is None else temperature,
            }
            now = client.post("/v1/port/shift", wanted)
        if as_json:
            print(json.dumps(now))
        else:
            print(sentence(now))
            for warning in now["warnings"][-3:]:
                tell(warning)
        return DONE

    return asked(action, url)


def _filter(name: str) -> str | None:
    return None if name == "none" else name


def sentence(now: dict[str, object]) -> str:
    """Return what the port is at, in words."""
    if now["address"] is None:
        return f"The port is not open: {now['why_not']}."
    words = "the reference filter" if now["filter"] is None else str(now["filter"])
    follows = "follows the temperature" if now["temperature"] else "does not follow the temperature"
    lent = f" It moves nothing just now: {now['why_not']}." if now["lent"] else ""
    place = f"Port at {now['address']}"
    return f"{place}: places are for {words}, {now['shift_steps']:+d} steps; it {follows}.{lent}"
