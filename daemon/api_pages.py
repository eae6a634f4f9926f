"""The page's side of the HTTP interface: its files, and the data from which it draws.

Every file is read once, kept compressed, and told apart by its content, so that a browser asks again but is
seldom sent anything. Plotly's own script comes from its package: nothing is loaded from elsewhere.
"""

from __future__ import annotations

import gzip
import hashlib
import hmac
import importlib.util
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import FastAPI, Header, Query
from fastapi.responses import JSONResponse, RedirectResponse, Response

from daemon.api_models import Problem
from daemon.guard import COOKIE, Rules

if TYPE_CHECKING:
    from daemon.service.pictures import Pictures

WEB = Path(__file__).parent / "web"
SCHEMES = Path(__file__).parent / "report" / "schemes.css"
_NOT_FOUND: dict[int | str, dict[str, Any]] = {404: {"model": Problem}}
_KINDS = {".html": "text/html", ".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self'; font-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "vary": "accept-encoding",
}


@dataclass(frozen=True, slots=True)
class _Asset:
    """A file as it is sent; only the compressed bytes stay in memory."""

    packed: bytes
    etag: str
    kind: str


def add_pages(app: FastAPI, pictures: Pictures, rules: Rules) -> None:
    """Add the page and what it draws from to the app."""
    _add_data(app, pictures)
    _add_files(app, rules)


def _add_data(app: FastAPI, pictures: Pictures) -> None:
    @app.get("/v1/rig")
    def rig() -> dict[str, Any]:
        """Tell what does not change while the service lives: filters, limits, gates, routines."""
        return pictures.rig()

    @app.get("/v1/runs/{run_id}/picture", responses=_NOT_FOUND)
    def picture(run_id: str, beyond_step: Annotated[int, Query(ge=-1, le=10**9)] = -1) -> dict[str, Any]:
        """Give a run's looks and latest numbers in the controller's counts, as the page draws them."""
        return pictures.run(run_id, beyond_step)

    @app.get("/v1/runs/{run_id}/looks/{number}", responses=_NOT_FOUND)
    def portrait(run_id: str, number: int) -> dict[str, Any]:
        """Give a look's frame beside what the fit expects and what is left over (PNG in base64)."""
        return pictures.portrait(run_id, number)

    @app.get("/v1/profiles")
    def profiles() -> dict[str, Any]:
        """Give the numbers of every kept profile, oldest first."""
        return {"profiles": pictures.history()}


def _add_files(app: FastAPI, rules: Rules) -> None:
    @app.get("/", include_in_schema=False)
    def page(
        token: Annotated[str | None, Query(max_length=500)] = None,
        if_none_match: Annotated[str | None, Header(max_length=200)] = None,
        accept_encoding: Annotated[str, Header(max_length=500)] = "",
    ) -> Response:
        if token is None:
            return _sent("index.html", if_none_match, accept_encoding)
        if rules.token is None or not hmac.compare_digest(token.encode(), rules.token.encode()):
            return JSONResponse({"detail": "this is not the token"}, 401)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(COOKIE, token, httponly=True, samesite="strict", max_age=30 * 86_400)
        return answer

    @app.get("/web/{name}", include_in_schema=False)
    def part(
        name: str,
        if_none_match: Annotated[str | None, Header(max_length=200)] = None,
        accept_encoding: Annotated[str, Header(max_length=500)] = "",
    ) -> Response:
        return _sent(name, if_none_match, accept_encoding)

    @app.get("/favicon.ico", include_in_schema=False)
    def icon(
        if_none_match: Annotated[str | None, Header(max_length=200)] = None,
        accept_encoding: Annotated[str, Header(max_length=500)] = "",
    ) -> Response:
        return _sent("mark.svg", if_none_match, accept_encoding)


def _sent(name: str, known: str | None, encodings: str) -> Response:
    path = _path_of(name)
    if path is None:
        return JSONResponse({"detail": "there is no such file"}, 404)
    asset = _asset(path)
    headers = {**_HEADERS, "etag": asset.etag, "cache-control": "no-cache"}
    if known is not None and asset.etag in known:
        return Response(status_code=304, headers=headers)
    if "gzip" in encodings:
        return Response(asset.packed, media_type=asset.kind, headers={**headers, "content-encoding": "gzip"})
    return Response(gzip.decompress(asset.packed), media_type=asset.kind, headers=headers)


def _path_of(name: str) -> Path | None:
    """Return the file behind a name; nothing outside the page's own files is ever sent."""
    if name == "plotly.js":
        return _plotly()
    if name == SCHEMES.name:
        return SCHEMES
    # Looked up among the files that there are: a name is never joined to a path before it is known.
    known = {path.name: path for path in WEB.iterdir() if path.suffix in _KINDS and path.is_file()}
    return known.get(name)


@cache
def _asset(path: Path) -> _Asset:
    plain = path.read_bytes()
    # Level 6: plotly's script takes a third of a second then, once; 9 would take three times that.
    packed = gzip.compress(plain, 6, mtime=0)
    etag = f'"{hashlib.sha256(plain).hexdigest()[:20]}"'
    return _Asset(packed, etag, _KINDS[path.suffix])


@cache
def _plotly() -> Path | None:
    """Return plotly's script without importing plotly, which is heavy."""
    spec = importlib.util.find_spec("plotly")
    if spec is None or spec.origin is None:
        return None
    return Path(spec.origin).parent / "package_data" / "plotly.min.js"
