"""The HTTP interface: what the engine and its views offer, as routes; every handler runs off the event loop.

Handlers are plain functions, which the framework runs on threads of its own, so that neither a journal nor a
worker is waited for on the loop; the stream of events alone lives on it.
"""

from __future__ import annotations

import uuid
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import FastAPI, Header, Query, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, JSONResponse, Response, StreamingResponse

from daemon.api_models import (
    Health,
    ObservationList,
    Plan,
    Problem,
    Reloaded,
    RunList,
    RunView,
    Started,
    StartRequest,
    Status,
)
from daemon.api_pages import add_pages
from daemon.api_port import add_port
from daemon.events import EventHub, TooManyReaders
from daemon.guard import Guard, Rules
from daemon.profile_commands import Reply, show_advice, show_profile
from daemon.service.engine import Busy, NoSuchRun, NotNow
from daemon.service.pictures import Pictures
from daemon.service.reloading import Unfit
from daemon.worker import WorkerError
from routines.advice import AdviceRequest
from routines.profile import profile_schema

if TYPE_CHECKING:
    from daemon.service.engine import Engine
    from daemon.service.reloading import Reloading
    from daemon.service.views import Views

_NOT_FOUND: dict[int | str, dict[str, Any]] = {404: {"model": Problem}}
_REFUSED: dict[int | str, dict[str, Any]] = {409: {"model": Problem}}
_CONFLICT: dict[int | str, dict[str, Any]] = {404: {"model": Problem}, 409: {"model": Problem}}
_BODY: dict[int | str, dict[str, Any]] = {400: {"model": Problem}, 413: {"model": Problem}}


def make_app(
    engine: Engine, views: Views, rules: Rules, reloading: Reloading | None = None
) -> tuple[Guard, EventHub]:
    """Return the guarded app, and the hub of its events, which the server starts and closes."""
    hub = EventHub(engine.live, uuid.uuid4().hex[:8])

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        hub.start()
        yield
        await hub.close()

    app = FastAPI(
        title="drawtube",
        summary="Learns a telescope's focus train unattended.",
        version="1",
        openapi_url="/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        lifespan=lifespan,
    )
    _tell_errors(app)
    _add_service(app, views, hub)
    _add_config(app, reloading)
    _add_runs(app, engine, views)
    _add_commands(app, engine, views)
    _add_knowledge(app, engine.state)
    add_port(app, engine.bench)
    add_pages(app, Pictures(engine), rules)
    return Guard(app, rules), hub


def _tell_errors(app: FastAPI) -> None:
    """Turn each refusal into its status, with its own words."""
    statuses: dict[type[Exception], int] = {
        NoSuchRun: 404,
        Busy: 409,
        NotNow: 409,
        Unfit: 409,
        TooManyReaders: 503,
        WorkerError: 503,
    }
    for kind, status in statuses.items():

        def answer(request: Request, error: Exception, status: int = status) -> JSONResponse:
            return JSONResponse({"detail": str(error)}, status)

        app.add_exception_handler(kind, answer)
    app.add_exception_handler(RequestValidationError, _what_does_not_fit)


def _what_does_not_fit(request: Request, error: Exception) -> JSONResponse:
    """Say which part of a request does not fit; what was sent may hold numbers that JSON itself cannot."""
    assert isinstance(error, RequestValidationError)
    parts = [{key: part[key] for key in ("type", "loc", "msg")} for part in error.errors()]
    return JSONResponse({"detail": parts}, 422)


def _add_service(app: FastAPI, views: Views, hub: EventHub) -> None:
    @app.get("/v1/status", response_model=Status)
    def status() -> Status:
        """Tell what the service is at."""
        return views.status()

    @app.get("/healthz", response_model=Health, responses={503: {"model": Health}})
    def health() -> JSONResponse:
        """Tell whether the service is well."""
        found = views.health()
        return JSONResponse(found.model_dump(), 200 if found.ok else 503)

    @app.get("/v1/events", response_class=StreamingResponse, responses={503: {"model": Problem}})
    async def events(
        last_event_id: Annotated[str | None, Header(max_length=100)] = None,
        after: Annotated[str | None, Query(max_length=100)] = None,
    ) -> StreamingResponse:
        """Follow what happens (server-sent events); a reader that dropped off gives the last id it saw."""
        hub.require_room()
        stream = hub.stream(last_event_id or after, lambda: views.status().model_dump_json())
        return StreamingResponse(
            stream, media_type="text/event-stream", headers={"cache-control": "no-store"}
        )


def _add_config(app: FastAPI, reloading: Reloading | None) -> None:
    @app.post("/v1/config/reload", response_model=Reloaded, status_code=202, responses=_REFUSED)
    def reload() -> Reloaded:
        """Read the config file again and go over to it; 409 for mistakes, and while a run is on."""
        if reloading is None:
            raise NotNow("this service has no config file to read again")
        return Reloaded(file=str(reloading.reload()))


def _add_runs(app: FastAPI, engine: Engine, views: Views) -> None:
    @app.get("/v1/runs", response_model=RunList)
    def runs(limit: Annotated[int, Query(ge=1, le=1000)] = 50) -> RunList:
        """List the latest runs, the newest first."""
        return RunList(runs=views.runs(limit))

    @app.post("/v1/runs", response_model=Started, status_code=201, responses=_CONFLICT | _BODY)
    def start(wanted: StartRequest) -> Started:
        """Ask for a run: 201 with its id, or 409 while another is on and ``if_busy`` is "refuse"."""
        run_id = engine.request(wanted.routine, if_busy=wanted.if_busy, origin="a request")
        return Started(id=run_id, state=views.state_of(views.record(run_id)))

    @app.get("/v1/routines/{routine}/plan", response_model=Plan, responses={404: {"model": Problem}})
    def plan(routine: str) -> Plan:
        """Tell what a routine would do; nothing moves."""
        return views.plan(routine)

    @app.get("/v1/runs/{run_id}", response_model=RunView, responses=_NOT_FOUND)
    def run(run_id: str) -> RunView:
        """Tell of one run."""
        return views.run(run_id)

    @app.get("/v1/runs/{run_id}/observations", response_model=ObservationList, responses=_NOT_FOUND)
    def observations(run_id: str) -> ObservationList:
        """Give a run's observations so far."""
        views.record(run_id)
        seen = engine.journal.observations(run_id)
        return ObservationList(run=run_id, observations=[item.as_dict() for item in seen])

    @app.get("/v1/runs/{run_id}/report", response_class=FileResponse, responses=_NOT_FOUND)
    def report(run_id: str) -> Response:
        """Give a run's report (HTML)."""
        views.record(run_id)
        path = engine.state / "runs" / run_id / "report.html"
        if not path.is_file():
            return JSONResponse({"detail": f"run {run_id} has no report (yet)"}, 404)
        return FileResponse(path, media_type="text/html")


def _add_commands(app: FastAPI, engine: Engine, views: Views) -> None:
    @app.post("/v1/runs/{run_id}/hold", response_model=RunView, responses=_CONFLICT)
    def hold(run_id: str) -> RunView:
        """Keep a run from its next step."""
        engine.hold(run_id)
        return views.run(run_id)

    @app.post("/v1/runs/{run_id}/resume", response_model=RunView, responses=_CONFLICT)
    def resume(run_id: str) -> RunView:
        """Let a held run go on, answer what it asks for, or take an interrupted one up."""
        engine.resume(run_id)
        return views.run(run_id)

    @app.post("/v1/runs/{run_id}/stop", response_model=RunView, responses=_CONFLICT)
    def stop(run_id: str) -> RunView:
        """End a run; what moves is halted at once."""
        engine.stop(run_id)
        return views.run(run_id)


def _add_knowledge(app: FastAPI, state: Path) -> None:
    @app.get("/v1/profile", responses=_NOT_FOUND)
    def profile() -> Response:
        """Give the latest profile (drawtube-profile/1)."""
        return _replied(show_profile(state, form="json"))

    @app.get("/v1/profile/schema")
    def schema() -> dict[str, Any]:
        """Give the JSON Schema of profiles."""
        return profile_schema()

    @app.get("/v1/advice", responses=_NOT_FOUND)
    def advice(
        filter: Annotated[str, Query(min_length=1, max_length=500)],
        temperature_c: Annotated[float | None, Query(ge=-80.0, le=80.0)] = None,
        from_position_steps: Annotated[float | None, Query(ge=-1e8, le=1e8)] = None,
        focused_filter: Annotated[str | None, Query(max_length=500)] = None,
    ) -> Response:
        """Give the moves that end in focus for a filter."""
        request = AdviceRequest(filter, temperature_c, from_position_steps, focused_filter)
        return _replied(show_advice(state, request, as_json=True))


def _replied(reply: Reply) -> Response:
    if reply.exit_code == 0:
        return Response(reply.out, media_type="application/json")
    return JSONResponse({"detail": reply.err}, 404)
