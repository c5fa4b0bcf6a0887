"""Render the page's sheets from templates."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from axlewright_models import __version__
from axlewright_server.api.context import office_of, user_of
from axlewright_server.page import texts

STATIC = Path(__file__).parent / "static"


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("axlewright_server.page"),
        autoescape=select_autoescape(("html", "svg")),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        figure=texts.figure,
        percent=texts.percent,
        sureness=texts.sureness,
        age=texts.age,
        iso=texts.iso,
        clock=texts.clock,
        share=texts.share,
        unit=texts.unit_text,
    )
    # The version in the address makes browsers fetch a new release's files.
    environment.globals.update(static=lambda name: f"/static/{name}?v={__version__}")
    return environment


_ENVIRONMENT = _environment()


def sheet(request: Request, template: str, status: int = 200, **context: Any) -> HTMLResponse:
    """Return a page; Any: a template takes whatever it names."""
    office = office_of(request)

    def axle_text(vehicle: str, position: int) -> str:
        if position == 0:
            return "whole truck"
        spec = office.spec.vehicles.get(vehicle)
        role = next((one.role for one in spec.axles if one.position == position), None) if spec else None
        return f"{texts.ROLE_TEXTS[role].lower()}" if role else f"axle {position}"

    path = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    text = _ENVIRONMENT.get_template(template).render(
        fleet_name=office.spec.name,
        now_s=office.clock(),
        user=user_of(request),
        axle_text=axle_text,
        condition_texts=texts.CONDITION_TEXTS,
        **({"sheet": "", "path": path} | context),
    )
    return HTMLResponse(text, status)
