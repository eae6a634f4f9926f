"""Talking to a running service: one place that knows its URL, its token and the words for what went wrong."""

from __future__ import annotations

import os
from types import TracebackType
from typing import Any

import httpx

DEFAULT_URL = "http://127.0.0.1:8642"
_TOKEN_VARIABLE = "DRAWTUBE_TOKEN"
_WITHIN_S = 10.0


class ServiceAway(Exception):
    """Nothing answers at the URL; the message says what to do."""


class ServiceRefused(Exception):
    """The service said no; ``status`` is HTTP's, the message the service's own words."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status


def service_url(given: str | None) -> str:
    """Return the service's URL: given, from DRAWTUBE_URL, or the usual one."""
    return (given or os.environ.get("DRAWTUBE_URL") or DEFAULT_URL).rstrip("/")


class Client:
    """Asks the service; close it, or use it in a ``with``."""

    def __init__(self, url: str | None = None) -> None:
        self.url = service_url(url)
        if not self.url.startswith(("http://", "https://")):
            raise ServiceRefused(0, f"{self.url} is no URL; give one such as {DEFAULT_URL}")
        token = os.environ.get(_TOKEN_VARIABLE)
        headers = {} if token is None else {"authorization": f"Bearer {token}"}
        # No proxy from the environment: the service is this machine, or one named on purpose.
        self._http = httpx.Client(base_url=self.url, headers=headers, timeout=_WITHIN_S, trust_env=False)

    def __enter__(self) -> Client:
        """Return the client itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Hang up."""
        self._http.close()

    def get(self, path: str, within_s: float = _WITHIN_S, **query: Any) -> Any:
        """Return the decoded answer; raises ServiceAway or ServiceRefused."""
        return self._ask("GET", path, params=query, timeout=within_s)

    def post(self, path: str, body: dict[str, Any] | None = None) -> Any:
        """Send and return the decoded answer; raises ServiceAway or ServiceRefused."""
        return self._ask("POST", path, json=body)

    def _ask(self, method: str, path: str, **how: Any) -> Any:
        try:
            answer = self._http.request(method, path, **how)
        except (httpx.TransportError, httpx.InvalidURL, httpx.UnsupportedProtocol) as error:
            raise ServiceAway(
                f"no drawtube service answers at {self.url} ({error}). Start one with: drawtube serve "
                "--config FILE; or name another with --url or DRAWTUBE_URL"
            ) from error
        if answer.is_success:
            return _decoded(answer, self.url)
        raise ServiceRefused(answer.status_code, _words(answer))


def _decoded(answer: httpx.Response, url: str) -> Any:
    try:
        return answer.json()
    except ValueError as error:
        raise ServiceAway(f"what answers at {url} is no drawtube service") from error


def _words(answer: httpx.Response) -> str:
    try:
        detail = answer.json()["detail"]
    except (ValueError, KeyError, TypeError):
        return f"HTTP {answer.status_code}"
    if isinstance(detail, list):
        return "; ".join(f"{'.'.join(map(str, item['loc']))}: {item['msg']}" for item in detail)
    return str(detail)
