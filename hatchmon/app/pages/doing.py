"""From a form to a request, and what came of it with the way back; the page for all that is not one tap."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from hatchmon.adapters.store import Store, from_us
from hatchmon.app.journal import undo_of
from hatchmon.app.pages.site import Site, own_path
from hatchmon.app.times import TimeUnclear, read_time
from hatchmon.hatchery.batches import batch_to_repeat
from hatchmon.hatchery.looks import WORDS
from hatchmon.hatchery.types import Batch, Quantity, Refused
from hatchmon.hatchery.units import UNITS, celsius
from hatchmon.hatchery.wording import Voice

NOTICE_FOR = timedelta(minutes=15)
DOES = ("begin", "look", "count", "harvest", "reading", "seen", "brood", "stock")
SUPPLY = ("brood", "stock")
_MAY_BE_EMPTY = {  # by what is noted: the field, and what of it the keeper then takes back
    "brood": {"ramp": "ramp", "loss": "loss_per_day", "ends": "ends"},
    "stock": {"opened": "opened", "price_per_kg": "price_per_kg"},
}
_TICKED = ("undo", "discard", "used_up", "drop")


@dataclass(frozen=True, slots=True)
class Notice:
    """What came of the request just made, and the form that takes it back, if any."""

    ok: bool
    text: str
    undo: Mapping[str, str] | None


class _Unclear(Exception):
    """A field of a form cannot be read; the message says which and what it should be."""


def routes(site: Site) -> list[BaseRoute]:
    """``/do``, where all forms go; ``/note/CONE``, with all there is to note of one; ``/supply/note/brood``
    and ``.../stock`` (``?of=`` one that is known)."""

    def do(request: Request) -> Response:
        form: dict[str, str] = request.scope["form"]
        to = own_path(form.get("to", "/"))
        try:
            answered = site.ask(request, read_form(form, site.clock.now(), site.voice))
        except (_Unclear, TimeUnclear) as why:
            return _again(request, form, str(why), 422)
        except Refused as why:
            return site.refused(request, why, 503)
        if not answered.ok and (to.startswith("/note/") or form["do"] in SUPPLY):
            return _again(request, form, str(answered.answer["text"]), 409)
        if answered.ok and to.startswith("/note/"):
            to = "/"
        return site.back(to, answered)

    def note(request: Request) -> Response:
        return _again(request, {"cone": request.path_params["cone"]}, "", 200)

    def note_supply(request: Request) -> Response:
        kind, name = request.path_params["kind"], request.query_params.get("of", "")
        if kind not in SUPPLY:
            raise HTTPException(404)
        with site.reading() as store:
            given = _brood_fields(store, name) if kind == "brood" else _stock_fields(store, name)
        if name and not given:
            return site.refused(request, f"Nothing is noted of {name}.")
        return _again(request, {"do": kind, **given}, "", 200)

    def _again_supply(request: Request, given: Mapping[str, str], why: str, status: int) -> Response:
        known = "known" in given or "drop" in given
        if given["do"] == "brood":
            title = f"Brood {given.get('brood', '')}" if known else "A brood to feed"
        else:
            title = f"Lot {given.get('lot', '')}" if known else "A lot in stock"
        ramps = [(name, name) for name in sorted(site.settings.supply.all_ramps)]
        return site.page(
            request, "note_supply.html", status=status, title=title, kind=given["do"], known=known,
            given=given, why=why, ramps=ramps,
        )  # fmt: skip

    def _again(request: Request, given: Mapping[str, str], why: str, status: int) -> Response:
        if given.get("do") in SUPPLY:
            return _again_supply(request, given, why, status)
        name = given.get("cone", "")
        now = site.clock.now()
        with site.reading() as store:
            if name not in store.cones():
                return site.refused(request, f"There is no cone called {name}.")
            batches = store.batches("cone = ?", name)
        return site.page(
            request,
            "note.html",
            status=status,
            title=f"Note for {name}",
            name=name,
            running=next((batch for batch in batches if batch.ended is None), None),
            last=batches[-1] if batches else None,
            stored=any(batch.cold_c is not None and batch.used_up is None for batch in batches),
            given=given,
            why=why,
            words=WORDS,
            quantities=[(each.value, each.value.replace("_", " "), UNITS[each]) for each in Quantity],
            set_point=_shown_temp(batches[-1].set_point_c, site.voice) if batches else "",
            asked=now,
        )

    return [
        Route("/do", do, methods=["POST"]),
        Route("/note/{cone}", note, methods=["GET"]),
        Route("/supply/note/{kind}", note_supply, methods=["GET"]),
    ]


def read_form(form: Mapping[str, str], now: datetime, voice: Voice) -> dict[str, Any]:
    """The request that a form means; what it left empty is left out. Raises _Unclear and TimeUnclear."""
    done = form.get("do", "")
    if done not in DOES:
        raise _Unclear(f"'{done}' is nothing that can be asked for here.")
    fields = {name: value.strip() for name, value in form.items() if value.strip()}
    body: dict[str, Any] = {"do": done}
    if "cone" in fields:
        body["cone"] = fields["cone"]
    if "when" in fields:
        body["at"] = read_time(fields["when"], now, voice.zone).isoformat()
    if "at" in fields:  # from a form of ours, as exact as it was stored
        body["at"] = fields["at"]
    for name in _TICKED:
        if name in fields:
            body[name] = True
    for name in ("lot", "seen", "quantity", "unit", "brood", "swam", "ends", "mouth", "ramp", "opened"):
        if name in fields:
            body[name] = fields[name]
    for name in ("grams", "litres", "salinity", "sample_ml", "value", "price_per_kg"):
        if name in fields:
            body[name] = _number(name, fields[name])
    if "loss" in fields:
        body["loss_per_day"] = _number("loss", fields["loss"]) / 100.0
    if "fry" in fields:
        body["fry"] = _whole("fry", fields["fry"])
    for name, key in (("set_point", "set_point_c"), ("cold", "cold_c")):
        if name in fields:
            body[key] = _temperature(name, fields[name], voice)
    for name in ("nauplii", "umbrella", "unhatched"):
        if name in fields:
            body[name] = _numbers(name, fields[name])
    if done in SUPPLY and "drop" not in body:
        _check_supply(done, body)
        left_empty = [key for name, key in _MAY_BE_EMPTY[done].items() if form.get(name, "-").strip() == ""]
        if left_empty:
            body["without"] = left_empty
    if done == "reading":
        if "value" not in body:
            raise _Unclear("Value is missing: what does the instrument say?")
        if body.get("quantity", Quantity.TEMPERATURE) in (Quantity.TEMPERATURE, Quantity.AIR_TEMPERATURE):
            body.setdefault("unit", voice.unit)
    return body


def after(site: Site, store: Store, request: Request) -> Notice | None:
    """What came of the request that the address names, while that is news."""
    number = request.query_params.get("after", "")
    row = store.request(int(number)) if number.isascii() and number.isdigit() and len(number) < 15 else None
    if row is None or row["done_us"] is None:
        return None
    made = from_us(row["made_us"])
    if abs(site.clock.now() - made) > max(NOTICE_FOR, timedelta(seconds=_shown_s(site, 120.0))):
        return None
    text = str(json.loads(row["answer"])["text"])
    undo = undo_of(json.loads(row["body"]), made) if row["ok"] else None
    return Notice(bool(row["ok"]), text, None if undo is None else as_form(undo))


def _shown_s(site: Site, real_s: float) -> float:
    """So many seconds in the room, on the clock that is shown."""
    return real_s / max(site.clock.real_seconds(1.0), 1e-9)


def as_form(request: Mapping[str, Any]) -> dict[str, str]:
    """The fields of a form that asks for it."""
    return {name: "1" if value is True else str(value) for name, value in request.items()}


def repeatable(store: Store, cone: str, now: datetime, voice: Voice) -> Batch | None:
    """The batch that a cone is filled like when nothing else is said; None where there is none."""
    try:
        return batch_to_repeat(cone, store.batches("cone = ?", cone), now, voice)
    except Refused:
        return None


def _named(name: str) -> str:
    return name.replace("_", " ").capitalize()


def _number(name: str, text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise _Unclear(f"{_named(name)}: '{text}' is not a number.") from None


def _whole(name: str, text: str) -> int:
    plain = text.replace(" ", "").replace(",", "").replace("_", "")
    if not (plain.isascii() and plain.isdigit() and len(plain) < 12):
        raise _Unclear(f"{_named(name)}: '{text}' is not a whole number.")
    return int(plain)


def _check_supply(done: str, body: Mapping[str, Any]) -> None:
    """What a form of ours always asks for is there, and its days are days."""
    wanted = {
        "brood": {"brood": "what do you call it?", "fry": "how many?", "swam": "since when do they swim?"},
        "stock": {"lot": "which tin or bag?", "grams": "how much is left?"},
    }[done]
    for name, question in wanted.items():
        if name not in body:
            raise _Unclear(f"{_named(name)} is missing: {question}")
    for name in ("swam", "ends", "opened"):
        try:
            date.fromisoformat(body.get(name, "2026-03-01"))
        except ValueError:
            raise _Unclear(f"'{body[name]}' is not a day of the calendar; write 2026-03-01.") from None


def _brood_fields(store: Store, name: str) -> dict[str, str]:
    """The fields of the form for a brood that is known; none where there is no such brood."""
    for each in store.broods():
        if each.name == name:
            ends = "" if each.ends is None else each.ends.isoformat()
            loss = f"{each.loss_per_day * 100:g}" if each.loss_per_day else ""
            return {
                "known": "1", "brood": name, "fry": str(each.fry), "swam": each.swam.isoformat(),
                "mouth": each.mouth, "ramp": each.ramp or "", "loss": loss, "ends": ends,
            }  # fmt: skip
    return {}


def _stock_fields(store: Store, lot: str) -> dict[str, str]:
    """The same for a lot in stock."""
    for each in store.stock():
        if each.lot == lot:
            opened = "" if each.opened is None else each.opened.isoformat()
            price = "" if each.price_per_kg is None else f"{each.price_per_kg:g}"
            grams = f"{each.grams:g}"
            return {"known": "1", "lot": lot, "grams": grams, "opened": opened, "price_per_kg": price}
    return {}


def _numbers(name: str, text: str) -> list[int]:
    try:
        return [int(part) for part in text.replace(",", " ").replace(";", " ").split()]
    except ValueError:
        raise _Unclear(f"{_named(name)}: '{text}' is not a list of whole numbers; write 120, 133.") from None


def _temperature(name: str, text: str, voice: Voice) -> float:
    """Deg C of ``26``, in the keeper's unit, or of ``26C`` or ``79F``."""
    plain = text.upper().replace("°", "").replace(" ", "").replace(",", ".")
    unit = plain[-1:] if plain[-1:] in ("C", "F") else voice.unit
    try:
        value = float(plain.rstrip("CF"))
    except ValueError:
        raise _Unclear(f"{_named(name)}: '{text}' is not a temperature; write 26, 26C or 79F.") from None
    return celsius(value) if unit == "F" else value


def _shown_temp(temp_c: float | None, voice: Voice) -> str:
    return "" if temp_c is None else voice.temp(temp_c).replace("°", "").replace(" ", "")
