"""The page that a browser shows: templates and static files in, one router and one mount on the application out.

The shells that are served here hold nothing of the catalogue, so they need no token: what they show they ask for at
the addresses under /v1, like every other program. `static/` holds ES modules and style sheets; nothing is built.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from fastapi import APIRouter, FastAPI, HTTPException, Request, Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import RedirectResponse
from starlette.staticfiles import StaticFiles

from api.settings import ServiceSettings
from matcher.core.answer_json import CAUTIONS

HERE = Path(__file__).parent

POLICY = "; ".join(
    [
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob:",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",  # no text ever becomes markup
    ]
)

PAGES = {
    "/": ("identify", "Identify"),
    "/review": ("review", "Review"),
    "/catalogue": ("catalogue", "Catalogue"),
    "/record": ("record", "Record"),
    "/find": ("find", "Find"),
    "/scarcity": ("scarcity", "Scarcity"),
    "/log": ("log", "Log"),
    "/listing": ("listing", "Listing"),
    "/lot": ("lot", "Lot"),
}
"""Address: the template and script that make it, and its title."""

MAIN = ("/", "/lot", "/review", "/catalogue", "/listing", "/scarcity", "/log")
"""What the head of every page leads to; a phone shows the first four, and the others behind a button."""

LOT = re.compile(r"L[0-9]{5,9}")
"""What a lot may be called, see `jobs.lot.store`: nothing else that stands behind /lot/ leads anywhere."""

MB = 1_000_000


class Static(StaticFiles):
    """Files that a browser asks after each time and fetches again only when they changed."""

    def file_response(self, *given: Any, **more: Any) -> Response:
        response = super().file_response(*given, **more)
        response.headers["Cache-Control"] = "no-cache"
        return response


def install(app: FastAPI, settings: ServiceSettings) -> None:
    """Serve the pages and what they load."""
    made = Environment(
        loader=FileSystemLoader(HERE / "templates"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    router = APIRouter(include_in_schema=False)

    def rendered(name: str, title: str, address: str) -> str:
        return made.get_template(f"{name}.html").render(
            name=name, title=title, address=address, main=[(place, PAGES[place][1]) for place in MAIN],
            cautions=CAUTIONS, most_bytes=settings.max_body_bytes, most_mb=f"{settings.max_body_bytes / MB:g}",
        )  # fmt: skip

    for address, (name, title) in PAGES.items():
        router.add_api_route(address, _show(rendered(name, title, address)), methods=["GET"], name=f"page {name}")
    router.add_api_route("/lot/{lot_id}", _show_lot, methods=["GET"], name="page lot by id")
    app.include_router(router)
    app.state.nowhere = _page(rendered("nowhere", "Nothing here", ""), 404)
    app.mount("/static", Static(directory=HERE / "static"), name="static")


def _show(shell: str) -> Any:
    def show(request: Request) -> Response:
        return _page(shell)

    return show


def _show_lot(lot_id: str) -> Response:
    """To where the page shows that lot: people type the address that they would expect."""
    if LOT.fullmatch(lot_id) is None:
        raise HTTPException(404)
    return RedirectResponse(f"/lot#{lot_id}", 307)


def _page(shell: str, status: int = 200) -> Response:
    headers = {"Content-Security-Policy": POLICY, "Cache-Control": "no-cache"}
    return Response(shell, status, headers=headers, media_type="text/html")
