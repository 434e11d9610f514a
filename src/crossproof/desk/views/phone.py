"""Whether a phone may read the worklist."""

from __future__ import annotations

import segno
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from crossproof.desk.faults import Refused
from crossproof.desk.pages import Said, base_of, desk_of, go_to, season_page
from crossproof.desk.uploads import form_of, text_of


def page(request: Request) -> Response:
    """Whether phones are let in, and the address for them."""
    desk = desk_of(request)
    place = desk.season(request)
    phones = desk.phones
    here = phones.season is not None and phones.season.path == place.path
    code = ""
    if here:
        code = Markup(
            segno.make_qr(phones.url, error="M").svg_inline(scale=6, dark="#000", light="#fff", omitsize=True)
        )
    return season_page(
        request, "phone.html.j2", place, "phone", here=here, elsewhere=phones.season if not here else None,
        url=phones.url if here else "", code=code,
    )  # fmt: skip


async def change(request: Request) -> Response:
    """Let phones in, or none any more."""
    desk = desk_of(request)
    place = desk.season(request)
    async with form_of(request) as form:
        what = text_of(form, "what")
    if what == "on":
        if not desk.state(place).has_results:
            raise Refused(409, "There is no worklist yet.", "Run the season first.")
        await desk.phones.start(place)
    else:
        await desk.phones.stop()
    return go_to(f"{base_of(place)}/phone", Said.PHONE_ON if what == "on" else Said.PHONE_OFF)


ROUTES = [
    Route("/season/{season}/phone", page),
    Route("/season/{season}/phone", change, methods=["POST"]),
]
