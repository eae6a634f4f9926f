"""The compensating port over HTTP: what it is at, and which filter's offset it adds."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

from fastapi import FastAPI
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from daemon.api_models import Answer, Problem
from daemon.port_setup import PortRefused
from daemon.service.port_host import PortBench

if TYPE_CHECKING:
    from daemon.service.bench import Bench

_NO_PORT = "the config offers no port: give it a [port] with a link or a listen"


class PortView(Answer):
    """The compensating port: where clients connect, whether a run has the focuser, and what is added."""

    address: str | None
    lent: bool
    why_not: str | None
    filter: str | None
    temperature: bool
    shift_steps: int
    warnings: list[str]


class ShiftRequest(BaseModel):
    """Which filter's offset to add to every place (null: none), and whether to follow the temperature."""

    model_config = ConfigDict(extra="forbid")

    filter: Annotated[str, Field(min_length=1, max_length=500)] | None = None
    temperature: bool = False


def add_port(app: FastAPI, bench: Bench) -> None:
    """Add the routes; without a port they say so."""

    @app.get("/v1/port", response_model=PortView, responses={404: {"model": Problem}})
    def port() -> PortView | JSONResponse:
        """Tell what the compensating port is at."""
        if not isinstance(bench, PortBench):
            return JSONResponse({"detail": _NO_PORT}, 404)
        return PortView(**asdict(bench.state()))

    @app.post(
        "/v1/port/shift",
        response_model=PortView,
        responses={
            400: {"model": Problem},
            404: {"model": Problem},
            409: {"model": Problem},
            413: {"model": Problem},
        },
    )
    def shift(wanted: ShiftRequest) -> PortView | JSONResponse:
        """Have the port add a filter's offset, and follow the temperature or not, from now on."""
        if not isinstance(bench, PortBench):
            return JSONResponse({"detail": _NO_PORT}, 404)
        try:
            return PortView(**asdict(bench.shift_to(wanted.filter, temperature=wanted.temperature)))
        except PortRefused as error:
            return JSONResponse({"detail": str(error)}, 409)
