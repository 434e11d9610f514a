"""A run: started, seen while it goes, stopped."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from crossproof.desk.folder import SeasonPlace, Standing
from crossproof.desk.jobs import last_ended
from crossproof.desk.pages import Desk, Said, base_of, desk_of, go_to, season_page
from crossproof.desk.uploads import form_of, text_of
from crossproof.season.work_folder import season_held

LOOK_SECONDS = 0.4
PATIENCE_SECONDS = 2.0
MOST_SECONDS = 6 * 3600.0


def run_page(request: Request) -> Response:
    """How the run goes, or went."""
    desk = desk_of(request)
    place = desk.season(request)
    return season_page(
        request, "run.html.j2", place, "run", ours=desk.jobs.runs(place), stopping=desk.jobs.stopping(place),
        ended=last_ended(place),
    )  # fmt: skip


async def start(request: Request) -> Response:
    """Start a run."""
    desk = desk_of(request)
    place = desk.season(request)
    async with form_of(request) as form:
        command = "plan" if text_of(form, "what") == "plan" else "run"
        options = ["--recalibrate"] if command == "run" and text_of(form, "recalibrate") else []
    waited = 0.0
    while season_held(place.folder) and not desk.jobs.runs(place) and waited < PATIENCE_SECONDS:
        await asyncio.sleep(0.1)  # a check holds the season for a moment
        waited += 0.1
    desk.jobs.start(place, command, *options)
    return go_to(f"{base_of(place)}/run")


async def stop(request: Request) -> Response:
    """Tell the desk's run on a season to stop."""
    desk = desk_of(request)
    place = desk.season(request)
    async with form_of(request):
        pass
    said = Said.STOPPING if desk.jobs.stop(place) else Said.NOT_RUNNING
    return go_to(f"{base_of(place)}/run", said)


async def events(request: Request) -> Response:
    """How far the run is, again and again, until it has ended."""
    desk = desk_of(request)
    place = desk.season(request)
    return StreamingResponse(_progress(desk, place), media_type="text/event-stream")


async def _progress(desk: Desk, place: SeasonPlace) -> AsyncIterator[str]:
    before = ""
    waited = 0.0
    while waited < MOST_SECONDS:
        state = await run_in_threadpool(desk.state, place)
        going = state.standing is Standing.RUNNING
        progress = state.progress
        told = json.dumps(
            {
                "running": going,
                "stopping": desk.jobs.stopping(place),
                "stage": progress.stage,
                "done": progress.done,
                "total": progress.total,
            }
        )
        if told != before:
            yield f"data: {told}\n\n"
            before = told
        else:
            yield ": still here\n\n"
        if not going:
            return
        await asyncio.sleep(LOOK_SECONDS)
        waited += LOOK_SECONDS


ROUTES = [
    Route("/season/{season}/run", run_page),
    Route("/season/{season}/run", start, methods=["POST"]),
    Route("/season/{season}/run/stop", stop, methods=["POST"]),
    Route("/season/{season}/run/events", events),
]
