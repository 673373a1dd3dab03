"""Broods and stock, noted by the page's forms on a real daemon."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from hatchmon.adapters.store import Store
from hatchmon.hatchery.supply.demand import Brood
from hatchmon.hatchery.supply.stock import Stock
from tests.app.pages.ground import Ground, Visitor

TODAY = date.today()  # noqa: DTZ011 - the keeper's own day, as their form has it
SWAM = TODAY - timedelta(days=5)
SINCE = SWAM.isoformat()


def kept(served: tuple[Ground, int]) -> tuple[list[Brood], list[Stock]]:
    with Store(served[0].database, read_only=True) as store:
        return list(store.broods()), list(store.stock())


def test_a_brood_is_noted_changed_and_forgotten(served: tuple[Ground, int], visitor: Visitor) -> None:
    visitor.go("/supply/note/brood")
    sent = {"do": "brood", "brood": "reed bed", "fry": "1,200", "swam": SINCE, "loss": "1,5"}
    visitor.send(**sent, mouth="tiny", ramp="small", to="/supply")
    assert visitor.page is not None
    assert visitor.page.url.path == "/supply"
    assert "Brood reed bed: 1200 fry swim freely since" in visitor.text
    assert kept(served)[0] == [Brood("reed bed", 1200, SWAM, "tiny", "small", 0.015)]
    visitor.go("/supply/note/brood?of=reed bed")
    ends = SWAM + timedelta(days=30)
    visitor.send(do="brood", brood="reed bed", fry="1150", swam=SINCE, ends=ends.isoformat(), known="1")
    assert kept(served)[0] == [Brood("reed bed", 1150, SWAM, "tiny", "small", 0.015, ends)]
    visitor.go("/supply/note/brood?of=reed bed")
    visitor.send(do="brood", brood="reed bed", fry="1150", swam=SINCE, ramp="", loss=" ", ends="", known="1")
    assert kept(served)[0] == [Brood("reed bed", 1150, SWAM, "tiny")]
    visitor.go("/supply/note/brood?of=reed bed")
    visitor.send(do="brood", brood="reed bed", drop="1", to="/supply")
    assert "Brood reed bed is forgotten." in visitor.text
    assert kept(served)[0] == []


def test_what_is_left_of_a_lot_is_noted_and_let_go(served: tuple[Ground, int], visitor: Visitor) -> None:
    visitor.go("/supply/note/stock")
    visitor.send(do="stock", lot="dune-11", grams="60,5", opened=SINCE, price_per_kg="95", to="/supply")
    assert "Lot dune-11: 60.5 g in stock" in visitor.text
    assert kept(served)[1] == [Stock("dune-11", 60.5, SWAM, 95.0)]
    visitor.go("/supply/note/stock?of=dune-11")
    visitor.send(do="stock", lot="dune-11", grams="50", opened="", price_per_kg="")
    assert kept(served)[1] == [Stock("dune-11", 50.0)]
    visitor.go("/supply/note/stock?of=dune-11")
    visitor.send(do="stock", lot="dune-11", drop="1", to="/supply")
    assert kept(served)[1] == []


@pytest.mark.parametrize(
    ("sent", "status", "why"),
    [
        ({"do": "brood", "brood": "pool", "swam": SINCE}, 422, "Fry is missing: how many?"),
        ({"do": "brood", "brood": "pool", "fry": "many", "swam": SINCE}, 422, "not a whole number"),
        ({"do": "brood", "brood": "pool", "fry": "9", "swam": "5 May"}, 422, "not a day of the calendar"),
        ({"do": "brood", "brood": "pool", "fry": "0", "swam": SINCE}, 409, "has 1 to 10,000,000 fry"),
        ({"do": "brood", "brood": "pool", "fry": "9", "swam": "2019-05-01"}, 409, "cannot have begun"),
        ({"do": "stock", "lot": "dune-11", "grams": "-3"}, 409, "give grams from 0"),
        ({"do": "stock", "lot": "dune-11"}, 422, "Grams is missing: how much is left?"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_and_stays_in_the_form(
    served: tuple[Ground, int], visitor: Visitor, sent: dict[str, str], status: int, why: str
) -> None:
    visitor.go(f"/supply/note/{sent['do']}")
    answer = visitor.send(**sent, to="/supply")
    assert answer.status_code == status
    assert why in visitor.text
    name = sent.get("brood", sent.get("lot"))
    assert f'value="{name}"' in answer.text
    assert kept(served) == ([], [])


def test_a_form_without_its_token_changes_nothing(served: tuple[Ground, int], visitor: Visitor) -> None:
    sent = {"do": "brood", "brood": "pool", "fry": "9", "swam": SINCE}
    assert visitor.http.post("/do", data=sent).status_code == 403
    assert kept(served) == ([], [])
