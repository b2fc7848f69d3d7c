"""All benches at a glance, one bench in full, and what is done there: begin, end, notes, pad checks."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from typing import Annotated, Any

import orjson
from fastapi import APIRouter, Depends, File, Form, Path, Request, UploadFile
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response, StreamingResponse

from soaktest.analysis.events import PadCheck
from soaktest.bench import begin_run, cancel_run, end_run, find_run, judge_run
from soaktest.errors import InputError, RunError, plain_text
from soaktest.journal import Journal
from soaktest.layouts import named_layout
from soaktest.plans import named_plan
from soaktest.readiness import doubts, refuse_unready
from soaktest.recording import Header
from soaktest.records import CHECK_HOLDS_S, acknowledge, add_note, keep_pad_check, notes_of, pad_checks
from soaktest.toml_values import shipped_names
from soaktest.vocabulary import ZONES
from soaktest.watch import Watch
from soaktest.web.door import came_from, must_carry_token
from soaktest.web.templates import page
from soaktest.wire import NAME_PATTERN
from soaktest.workshop.calibration import DAMP_FACTOR, HARDLY_ANSWERED, NOT_DRY, NOT_DRY_S

router = APIRouter()
BenchName = Annotated[str, Path(pattern=f"^{NAME_PATTERN}$")]
Number = Annotated[int, Path(ge=1, le=2**53)]
EVERY_S, PING_S = 0.5, 5.0
"""Seconds between events at the least and at the most: the page takes a longer silence for a lost bench."""
HANDS_DRY = "Hands dry; if water is near a plug or lead, switch off at the residual-current device first. "
STOP_WORDS = HANDS_DRY + "Stop the programme, drain, unplug."
"""What to do about water, the dangerous first."""
PUMP_WORDS = (
    HANDS_DRY
    + "Stop the programme, unplug. Do not drain it by the pump, which ran as it leaked: once cool, let the water out by hand into a tray."
)
"""The same where it came out while the pump ran."""
SEVERAL_WORDS = HANDS_DRY + "Stop the programmes, unplug; each bench's page says how to let the water out."
"""What to do about water on several benches."""
MILD_WORDS = "Look whether anything drips, and keep off wet plugs and leads. If nothing drips, dry the floor and the pads."
"""What to do about water that is most likely no leak."""
CHECK_TAKES_S = 60.0
CHANGES = [Depends(must_carry_token)]


def book(request: Request) -> Journal:
    """The journal of the application."""
    found: Journal = request.app.state.journal
    return found


def watch_of(request: Request) -> Watch:
    """The watch of the application."""
    found: Watch = request.app.state.watch
    return found


@router.get("/", include_in_schema=False)
def all_benches(request: Request) -> HTMLResponse:
    """Every bench heard of, each a card."""
    return page(
        request,
        "benches.html",
        benches=watch_of(request).names(),
        zones=ZONES,
        several_words=SEVERAL_WORDS,
        mild_words=MILD_WORDS,
        broker=request.app.state.broker,
    )


@router.get("/benches/{name}", include_in_schema=False)
def one_bench(request: Request, name: BenchName) -> HTMLResponse:
    """One bench in full."""
    shown = watch_of(request).snapshot().get(name)
    run = find_run(book(request), shown["run"]["id"]) if shown and shown["run"] else None
    checks = pad_checks(book(request), name, time.time())
    strict = [plan for plan in shipped_names("plans") if not named_plan(plan).allow_unproven_pads]
    pads = shown["pads"] if shown else {}
    return page(
        request, "bench.html", bench=name, run=run, plans=shipped_names("plans"), layouts=shipped_names("layouts"), zones=ZONES,
        notes=notes_of(book(request), run.id) if run else [], checks=checks,
        doubts=[] if run else doubts(book(request), name), known=shown is not None, others=watch_of(request).names(),
        unproven=[zone for zone, pad in pads.items() if pad["heard"] and not pad["proven"]], strict=strict, check_days=round(CHECK_HOLDS_S / 86_400),
        stop_words=STOP_WORDS, pump_words=PUMP_WORDS, mild_words=MILD_WORDS,
    )  # fmt: skip


@router.get("/events", include_in_schema=False)
async def events(request: Request) -> StreamingResponse:
    """Server-sent events: the state of all benches when it changes, twice a second at the most, and every 5 s anyway."""
    watch = watch_of(request)

    async def stream() -> AsyncIterator[bytes]:
        last, sent = b"", 0.0
        while not await request.is_disconnected():
            now = time.monotonic()
            text = orjson.dumps(watch.snapshot())
            if now - sent >= (EVERY_S if text != last else PING_S):
                last, sent = text, now
                yield b"data: " + text + b"\n\n"
            await asyncio.sleep(0.2)

    return StreamingResponse(stream(), media_type="text/event-stream", headers={"cache-control": "no-store"})


@router.get("/api/benches", summary="The state of all benches")
def state(request: Request) -> dict[str, Any]:
    """What the page shows of every bench, by its name."""
    return watch_of(request).snapshot()


@router.get("/api/benches/{name}/strip", summary="The last quarter of an hour of one bench")
def strip(request: Request, name: BenchName) -> dict[str, Any]:
    """Pads (microsiemens), power (W) and phases with UTC seconds."""
    return watch_of(request).strip(name)


@router.post("/benches/{name}/begin", dependencies=CHANGES, include_in_schema=False)
def begin(
    request: Request,
    name: BenchName,
    plan: Annotated[str, Form(max_length=64)],
    layout: Annotated[str, Form(max_length=64)],
    unit: Annotated[str, Form(max_length=64)] = "",
    override: Annotated[str, Form(max_length=4000)] = "",
) -> Response:
    """Begin a run; refused on pads found at fault, wet or not heard, unless a reason is given."""
    refuse_unready(book(request), name, override)
    header = Header(bench=name, unit=plain_text("unit's tag", unit, 64) or None, began=time.time())
    begin_run(book(request), header, named_plan(plan), named_layout(layout), override)
    return RedirectResponse(f"/benches/{name}", 303)


@router.post("/runs/{number}/end", dependencies=CHANGES, include_in_schema=False)
def end(request: Request, number: Number) -> Response:
    """End a run and judge it."""
    end_run(book(request), number)
    analysis = judge_run(book(request), number)
    request.app.state.examined.put(find_run(book(request), number), analysis)
    return RedirectResponse(f"/runs/{number}", 303)


@router.post("/runs/{number}/cancel", dependencies=CHANGES, include_in_schema=False)
def cancel(request: Request, number: Number) -> Response:
    """End a run that is not worth judging."""
    run = find_run(book(request), number)
    cancel_run(book(request), number)
    return RedirectResponse(f"/benches/{run.bench}", 303)


@router.post("/api/runs/{number}/acknowledge", dependencies=CHANGES, summary="Say that the alarm was seen")
def seen(request: Request, number: Number) -> JSONResponse:
    """Write down that somebody has seen the alarm."""
    acknowledge(book(request), number)
    return JSONResponse({"acknowledged": True})


@router.post("/runs/{number}/notes", dependencies=CHANGES, include_in_schema=False)
def note(
    request: Request,
    number: Number,
    text: Annotated[str, Form(max_length=4000)] = "",
    photo: Annotated[UploadFile | None, File()] = None,
) -> Response:
    """Keep a note, a photo or both."""
    picture = photo.file.read() if photo and photo.size else None
    add_note(book(request), number, text, picture)
    before = came_from(request)
    back = before if before.startswith(("/benches/", "/runs/")) else f"/runs/{number}"
    return RedirectResponse(back, 303)


@router.post(
    "/api/benches/{name}/pad-check/begin", dependencies=CHANGES, summary="Say that pads are being touched"
)
def begin_pad_check(request: Request, name: BenchName) -> JSONResponse:
    """For a minute whoever looks at the bench is told that a damp finger is on its pads, and no leak."""
    watch_of(request).checking(name, CHECK_TAKES_S)
    return JSONResponse({"checking_s": CHECK_TAKES_S})


@router.post("/api/benches/{name}/pad-check", dependencies=CHANGES, summary="Write down a pad check")
async def pad_check(request: Request, name: BenchName) -> JSONResponse:
    """Readings of each pad dry, touched with a damp finger, and dry again, in microsiemens; says which is sound.

    Refused while a run is under way there: a damp finger would be its leak.
    """
    under_way = (watch_of(request).snapshot().get(name) or {}).get("run")
    if under_way:
        raise RunError(
            f"bench {name}: run {under_way['id']} is under way. Check the pads before a run, not in it."
        )
    try:
        sent: Any = orjson.loads(await request.body())
        read = {zone: [float(sent[zone][k]) for k in ("dry", "touched", "after")] for zone in ZONES}
    except (orjson.JSONDecodeError, KeyError, TypeError, ValueError) as exc:
        raise InputError(
            "a pad check needs dry, touched and after, in microsiemens, for left, centre and right."
        ) from exc
    if not all(0 <= value < 1e6 for values in read.values() for value in values):
        raise InputError(
            "a reading is no conductance in microsiemens: check the node, and begin the check again."
        )
    watch_of(request).checking(name, 0.0)
    told = {}
    for zone, (dry, touched, after) in read.items():
        fault = _fault(dry, touched, after)
        check = PadCheck(dry * 1e-6, touched * 1e-6, 0.0, time.time())
        keep_pad_check(book(request), name, zone, check, fault)
        told[zone] = fault
    return JSONResponse({"faults": told, "sound": not any(told.values())})


def _fault(dry: float, touched: float, after: float) -> str:
    if dry * 1e-6 > NOT_DRY_S:
        return NOT_DRY
    if touched < DAMP_FACTOR * max(dry, 0.05):
        return HARDLY_ANSWERED
    if after > max(0.5 * touched, 3.0):
        return "it did not dry again: wipe it dry and check it once more"
    return ""
