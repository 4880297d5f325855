"""The window's addresses: pages to look at, and what their buttons ask for."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from cli.report.fit_words import USUAL, headline
from cli.report.parts import templates
from cli.terminal import boundary
from cli.window import actions, asking, folder, keeping, views, what_if
from cli.window.desk import Busy, Desk
from cli.window.guard import PHONE, TooLarge
from meas.errors import FreeairError, Refused, UsageError

if TYPE_CHECKING:
    from jinja2 import Environment

    from meas.bench.rig import Kind

_TICK_SECONDS = 0.05
_HEARTBEAT_SECONDS = 15.0


@dataclass(frozen=True)
class Window:
    """State that every answer needs: the desk, the sitting's yeses, the address for a phone."""

    desk: Desk
    sitting: asking.Sitting
    phone: str


def window(desk: Desk, phone: str = "") -> Starlette:
    """Build the window onto the current folder.

    Args:
        phone: Address for a phone in the local network; empty when it is not served.
    """
    here = Window(desk, asking.Sitting(), phone)
    static = Path(__file__).parent / "static"
    uplot = Path(__file__).parents[1] / "report" / "vendor" / "uplot"

    def page(name: str, content: Callable[[Window, Request], dict[str, Any]]) -> Route:
        path = "/" if name == "shelf" else f"/{name}"
        return Route(path, partial(_page, here, name, content))

    def ask(path: str, handler: Callable[..., Awaitable[Response]], method: str = "GET") -> Route:
        return Route(path, partial(handler, here), methods=[method])

    return Starlette(
        routes=[
            page("shelf", _shelf),
            page("bench", _bench),
            page("take", _take),
            page("driver", _driver),
            page("what-if", _what_if),
            page("box", _plain),
            page("parts", _plain),
            page("polarity", _plain),
            page("series", _plain),
            ask("/live", _live),
            ask("/do/{action}", _do, "POST"),
            ask("/what-if/{way}", _try, "POST"),
            ask("/keep/{what}", _keep, "POST"),
            ask("/stop", _stop, "POST"),
            ask("/drop", _drop, "POST"),
            ask("/data/{what}", _data),
            ask("/devices", _devices),
            Mount("/static", StaticFiles(directory=static)),
            Mount("/uplot", StaticFiles(directory=uplot)),
        ],
        exception_handlers={
            FreeairError: _fault,
            OSError: _of_system,
            404: _nothing,
            Exception: _defect,
        },
    )


# ---- pages ---------------------------------------------------------------------------------------


async def _page(
    here: Window,
    name: str,
    content: Callable[[Window, Request], dict[str, Any]],
    request: Request,
) -> Response:
    def made() -> str:
        said = {"page": name, "faults": _unread(name), **content(here, request)}
        return _render(f"{name}.html.j2", here, said)

    return HTMLResponse(await run_in_threadpool(made))


def _unread(page: str) -> list[folder.Entry]:
    """List what cannot be read: everything on the shelf, elsewhere the benches that are missed."""
    return [one for one in folder.entries() if one.fault and (page == "shelf" or one.kind == "rig")]


def _render(template: str, here: Window | None, said: dict[str, Any]) -> str:
    phone = here.phone if here is not None else ""
    try:
        name = folder.root().name or "/"
    except UsageError:  # the page says so itself
        name = "gone"
    found = _templates().get_template(template)
    return found.render(folder=name, phone=phone, phone_code=_code(phone), **said)


@cache
def _templates() -> Environment:
    made = templates("window/templates")
    made.globals.update(actions=actions.ACTIONS, views=views, phone_means=PHONE)
    made.filters["in_window"] = views.in_window
    return made


@cache
def _code(address: str) -> Any:
    """Draw the address as a QR code (ISO/IEC 18004); empty without one."""
    from markupsafe import Markup

    if not address:
        return ""
    import segno

    made = segno.make(address, error="m")
    return Markup(made.svg_inline(border=4, dark="#000", light="#fff", omitsize=True))


def _shelf(here: Window, request: Request) -> dict[str, Any]:
    return {
        "units": views.units(),
        "rigs": folder.of_kind("rig"),
        "recordings": folder.of_kind("recording"),
    }


def _rigs(request: Request) -> tuple[list[folder.Entry], folder.Entry | None]:
    """Find the benches of the folder, and the one that is meant."""
    rigs = views.benches(request.query_params.get("unit", ""))
    wanted = request.query_params.get("rig", "")
    return rigs, next((one for one in rigs if one.path == wanted), rigs[0] if rigs else None)


def _bench(here: Window, request: Request) -> dict[str, Any]:
    from markupsafe import Markup

    from cli.pictures import wiring
    from cli.rig import calibration_words
    from cli.terminal import cautions

    rigs, chosen = _rigs(request)
    said: dict[str, Any] = {"rigs": rigs, "chosen": chosen}
    if chosen is None:
        return said
    rig = chosen.content
    worth = calibration_words.missing_standards(rig)
    picture = wiring.describe(rig.wiring)
    standards = []
    for kind in ("same-node", "short", "open", "resistor"):
        place = "known resistor" if kind == "resistor" else calibration_words.PLACE[kind]
        drawn = wiring.describe(rig.wiring, same_node=kind == "same-node", place=place)
        standards.append({"kind": kind, "picture": Markup(wiring.as_svg(drawn)),
                          "worth": worth.get(kind, "")})  # fmt: skip
    return {
        **said,
        "facts": views.rig_facts(rig),
        "picture": Markup(wiring.as_svg(picture)),
        "note": picture.note,
        "cautions": cautions.for_rig(rig),
        "common": calibration_words.remaining(rig)[0],
        "known": rig.calibration.words if rig.calibration else "",
        "standards": standards,
    }


def _take(here: Window, request: Request) -> dict[str, Any]:
    from cli.bench.take_record import rough_words

    rigs, chosen = _rigs(request)
    name = request.query_params.get("of", "")
    shown = folder.take(name) if name else None
    return {
        "rough": rough_words(shown) if shown and not shown.refused else "",
        "rigs": rigs,
        "chosen": chosen,
        "shown": shown,
        "of": name,
        "unit": request.query_params.get("unit", shown.unit if shown else ""),
        "asked": {key: request.query_params.get(key, "") for key in ("mass", "kind", "repeats")},
        "remedies": asking.remedies(shown) if shown else [],
    }


def _driver(here: Window, request: Request) -> dict[str, Any]:
    one = views.unit(request.query_params.get("unit", ""))
    wanted = request.query_params.get("fit", "")
    entry = next((e for e in one.fits if e.path == wanted), one.fits[0] if one.fits else None)
    saved = entry.content if entry else None
    mine = {e.path for e in one.fits}
    strange = [e for e in folder.of_kind("fit") if e.path not in mine]
    before = next((e.path for e in (*one.fits[:0:-1], *strange)), "") if one.fits else ""
    aimed = [one.path for one in folder.of_kind("targets")]
    file = request.query_params.get("targets", aimed[0] if aimed else "")
    return {
        "headline": headline(saved.fit) if saved else "",
        "aimed": aimed,
        "targets": file,
        "bands": keeping.bands(one, file),
        "unit": one,
        "entry": entry,
        "saved": saved,
        "values": views.values(saved, only=USUAL) if saved else [],
        "rarer": views.values(saved, but=USUAL) if saved else [],
        "others": [u for u in views.units() if u.name != one.name],
        "before": before,
    }


def _what_if(here: Window, request: Request) -> dict[str, Any]:
    fits = folder.of_kind("fit")
    wanted = request.query_params.get("fit", "")
    chosen = next((one for one in fits if one.path == wanted), fits[0] if fits else None)
    return {"fits": fits, "chosen": chosen, "stocks": folder.of_kind("stock")}


def _plain(here: Window, request: Request) -> dict[str, Any]:
    return {"rigs": folder.of_kind("rig")}


# ---- what buttons ask for ------------------------------------------------------------------------


async def _do(here: Window, request: Request) -> Response:
    name = request.path_params["action"]
    body = await _json(request)
    said, read = body.get("fields", {}), body.get("read", [])
    if not isinstance(said, dict) or not isinstance(read, list):
        raise UsageError("this is no form of the window")
    return await run_in_threadpool(_begin, here, name, said, [str(one) for one in read])


def _begin(here: Window, name: str, said: dict[str, object], read: list[str]) -> Response:
    if here.desk.running:
        here.desk.refuse()
    rig_path = said.get("--rig") or said.get("RIG")
    rig = folder.rig(rig_path) if isinstance(rig_path, str) and rig_path else None
    words = actions.argv(name, said)
    wanted = here.sitting.wanted(name, said, rig, read)
    if wanted:
        rows = [{"title": c.title, "text": c.text, "asks": c.asks} for c in wanted]
        return JSONResponse({"cautions": rows})
    kind = cast("Kind", said.get("--kind") or "driver")  # one of its choices: it was checked
    # With one input there is no curve before the known resistor and the driver were both heard.
    grows = name == "take" and rig is not None and not said.get("--substitution")
    job = here.desk.start(name, words, rig=rig, grows=grows, kind=kind)
    return JSONResponse({"number": job.number, "command": job.command}, 202)


async def _try(here: Window, request: Request) -> Response:
    way = what_if.WAYS.get(request.path_params["way"])
    if way is None:
        raise UsageError("there is nothing of that name to try")
    return JSONResponse(await run_in_threadpool(way, await _json(request)))


async def _keep(here: Window, request: Request) -> Response:
    ways = {"targets": keeping.targets, "network": keeping.network}
    way = ways.get(request.path_params["what"])
    if way is None:
        raise UsageError("there is nothing of that name to keep")
    return JSONResponse(await run_in_threadpool(way, await _json(request)))


async def _stop(here: Window, request: Request) -> Response:
    here.desk.stop()
    return JSONResponse({})


async def _drop(here: Window, request: Request) -> Response:
    name = request.query_params.get("name", "")
    kept = await keeping.receive(name, request.stream())
    return JSONResponse(await run_in_threadpool(keeping.look, kept))


async def _devices(here: Window, request: Request) -> Response:
    from meas.audio import soundcard

    if here.desk.running:
        here.desk.refuse()
    found = await run_in_threadpool(soundcard.list_devices)
    rows = [{"device": one.identity, "inputs": one.inputs, "outputs": one.outputs,
             "rate": one.default_rate_hz, "note": one.note} for one in found]  # fmt: skip
    return JSONResponse({"devices": rows})


async def _data(here: Window, request: Request) -> Response:
    what, name = request.path_params["what"], request.query_params.get("of", "")
    ways: dict[str, Callable[[str], Any]] = {
        "curve": lambda of: views.data_of(folder.curve(of)),
        "take": views.take_data,
        "fit": lambda of: views.fit_data(folder.saved_fit(of)),
    }
    if what not in ways:
        raise UsageError("there is nothing of that name", where=what[:60])
    return JSONResponse(await run_in_threadpool(ways[what], name))


async def _live(here: Window, request: Request) -> Response:
    return StreamingResponse(
        _events(here.desk, request), media_type="text/event-stream",
        headers={"x-accel-buffering": "no"},
    )  # fmt: skip


async def _events(desk: Desk, request: Request) -> AsyncIterator[str]:
    """Server-sent events (HTML Living Standard, 9.2): the job, and its curve when it has grown."""
    version, curves, quiet = -1, (0, 0), 0.0
    yield "retry: 1000\n\n"
    while not desk.over() and not await request.is_disconnected():
        if version != desk.version:
            version, quiet = desk.version, 0.0
            job = desk.job
            yield _event("job", _in_words(desk.snapshot()))
            if job is not None and curves != (job.number, job.curves):
                curves = (job.number, job.curves)
                yield _event("curve", job.curve)
        elif (quiet := quiet + _TICK_SECONDS) > _HEARTBEAT_SECONDS:
            quiet = 0.0
            yield ": still here\n\n"
        await asyncio.sleep(_TICK_SECONDS)


def _in_words(said: dict[str, Any] | None) -> dict[str, Any] | None:
    """Name a job by its button, and options in what it printed as the forms call them."""
    if said is None:
        return None
    parts = [views.in_window(one) if isinstance(one, str) else one for one in said["parts"]]
    return {**said, "title": actions.ACTIONS[said["name"]].title, "parts": parts}


def _event(name: str, content: Any) -> str:
    return f"event: {name}\ndata: {json.dumps(content, allow_nan=False)}\n\n"


async def _json(request: Request) -> dict[str, Any]:
    try:
        found = json.loads(await request.body())
    except (ValueError, RecursionError) as error:
        raise UsageError("this is no form of the window") from error
    if not isinstance(found, dict):
        raise UsageError("this is no form of the window")
    return found


# ---- faults --------------------------------------------------------------------------------------


async def _fault(request: Request, error: Exception) -> Response:
    """Say what cannot be: wrong words, a folder that cannot be written, data without an answer."""
    assert isinstance(error, FreeairError)
    status = 409 if isinstance(error, Busy) else 413 if isinstance(error, TooLarge) else 422
    what = error.what
    if isinstance(error, Refused):
        what = "\n".join(reason.text for reason in error.reasons)
    return _say(request, status, what, error.where, error.remedy)


async def _of_system(request: Request, error: Exception) -> Response:
    """Word what the operating system has against a file: full, read-only, gone."""
    assert isinstance(error, OSError)
    return await _fault(request, boundary.of_system(error))


async def _nothing(request: Request, error: Exception) -> Response:
    return _say(request, 404, "There is no such page", "", "Go back to the shelf.")


async def _defect(request: Request, error: Exception) -> Response:
    what = f"Sorry, this is a mistake in freeair, not yours: {type(error).__name__}"
    return _say(request, 500, what, "", "Nothing that was recorded is lost.")


def _say(request: Request, status: int, *words: str | None) -> Response:
    """Say what, where and the remedy: as JSON for a button, as a page for an address."""
    said = {
        key: views.in_window(text or "")
        for key, text in zip(("what", "where", "remedy"), words, strict=True)
    }
    if request.method == "POST" or request.url.path.startswith(("/data", "/devices")):
        # The rest of what is too large is not listened to.
        heads = {"connection": "close"} if status == 413 else None
        return JSONResponse({"fault": said}, status, heads)
    return HTMLResponse(_render("fault.html.j2", None, {"page": "", "faults": (), **said}), status)
