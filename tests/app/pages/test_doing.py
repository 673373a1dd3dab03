"""What a keeper does on the page, on a real running daemon, with forms alone."""

from __future__ import annotations

import re

import pytest

from tests.app.pages.ground import Ground, Visitor


def rows(served: tuple[Ground, int], cone: str) -> list[tuple[object, ...]]:
    return served[0].rows(
        "SELECT seen FROM looks JOIN batches USING (batch_id) WHERE cone = ? ORDER BY time_us", cone
    )


def test_a_look_is_one_tap_and_its_undo_another(served: tuple[Ground, int], visitor: Visitor) -> None:
    visitor.go()
    visitor.send(do="look", cone="ripe", seen="nearly all", to="/")
    assert visitor.page is not None
    assert visitor.page.history[0].status_code == 303
    assert "ripe: noted 'nearly all' at" in visitor.text
    assert rows(served, "ripe") == [("nearly all",)]
    undo = re.search(r'(?s)<section class="notice yes".*?<form.*?</form>', visitor.page.text)
    assert undo
    fields = dict(re.findall(r'name="(\w+)" value="([^"]*)"', undo[0]))
    fields.pop("token")
    visitor.send(**fields)
    assert "ripe: took back 'nearly all'" in visitor.text
    assert "Undo" not in visitor.text
    assert rows(served, "ripe") == []


def test_harvest_undo_begin_undo(served: tuple[Ground, int], visitor: Visitor) -> None:
    visitor.go()
    visitor.send(do="harvest", cone="young", to="/")
    assert "young: lot river-23 harvested" in visitor.text
    assert "Begin as before in young 3 g of river-23 in 2 L, 26.0 °C" in visitor.text
    visitor.send(do="begin", cone="young", to="/")
    assert "young: 3 g of lot river-23 begun" in visitor.text
    visitor.send(do="begin", cone="young", undo="1", to="/")
    assert "young: took back the start of" in visitor.text
    visitor.send(do="harvest", cone="young", undo="1", to="/")
    assert "young: took back the harvest of" in visitor.text
    (row,) = served[0].rows("SELECT outcome, grams FROM batches WHERE cone = 'young'")
    assert row == (None, 3.0)


def test_what_is_not_one_tap_has_a_page_of_its_own(served: tuple[Ground, int], visitor: Visitor) -> None:
    visitor.go("/note/spare")
    assert "Begin a batch" in visitor.text
    # The last filling is offered, and a comma is as good as a point.
    assert visitor.page is not None
    assert 'name="lot" type="text" value="river-23"' in visitor.page.text
    visitor.send(
        do="begin", cone="spare", lot="dune-11", grams="1,5", litres="", set_point="79F", salinity="28",
        when="2h ago", to="/note/spare",
    )  # fmt: skip
    assert visitor.page.url.path == "/"
    (row,) = served[0].rows(
        "SELECT lot, grams, litres, round(set_point_c, 2), salinity FROM batches "
        "WHERE ended_us IS NULL AND cone = 'spare'"
    )
    assert row == ("dune-11", 1.5, None, 26.11, 28.0)
    visitor.go("/note/spare")
    assert "The harvest" in visitor.text
    visitor.send(do="reading", cone="spare", quantity="salinity", value="27.5", to="/note/spare")
    assert "spare: salinity 27.5 g/L at" in visitor.text
    visitor.go("/note/spare")
    visitor.send(do="harvest", cone="spare", discard="1", to="/note/spare")
    assert "spare: lot dune-11 discarded" in visitor.text
    visitor.send(do="harvest", cone="spare", undo="1")
    visitor.send(do="begin", cone="spare", undo="1")
    assert "spare: took back the start" in visitor.text


@pytest.mark.parametrize(
    ("fields", "status", "said"),
    [
        ({"do": "begin", "lot": "x", "grams": "much"}, 422, "Grams: 'much' is not a number."),
        ({"do": "begin", "lot": "x", "grams": "2", "when": "soon"}, 422, "'soon' is not a time."),
        (
            {"do": "begin", "lot": "x", "grams": "2", "set_point": "hot"},
            422,
            "Set point: 'hot' is not a temp",
        ),
        ({"do": "begin", "lot": "x", "grams": "90000"}, 409, "The weight of cysts must lie between"),
        ({"do": "count", "sample_ml": "1", "nauplii": "1, two"}, 422, "is not a list of whole numbers"),
        ({"do": "reading", "value": ""}, 422, "Value is missing"),
    ],
)
def test_a_form_filled_in_wrong_comes_back_as_it_was(
    visitor: Visitor, fields: dict[str, str], status: int, said: str
) -> None:
    visitor.go("/note/spare")
    answer = visitor.send(cone="spare", to="/note/spare", **fields)
    assert answer.status_code == status
    assert said in visitor.text
    if "grams" in fields:
        assert f'name="grams" type="text" inputmode="decimal" value="{fields["grams"]}"' in answer.text


def test_a_refusal_is_told_where_one_taps(visitor: Visitor) -> None:
    visitor.go()
    visitor.send(do="harvest", cone="spare", to="/")
    assert "Nothing is running in spare: there is nothing to harvest." in visitor.text
    assert "Undo" not in visitor.text


def test_nonsense_is_refused_without_harm(visitor: Visitor) -> None:
    for fields in ({"do": "explode"}, {"do": ""}, {}, {"do": "look", "cone": "nowhere", "seen": "few"}):
        visitor.go()
        answer = visitor.send(**fields)
        assert answer.status_code in (200, 404, 422), fields
    assert visitor.go("/note/nowhere").status_code == 404
    for path in ("/?after=x", "/?after=999999999", "/?after=-1", "/?after=99999999999999999999", "/?after=²"):
        assert visitor.go(path).status_code == 200
        assert "Undo" not in visitor.text


def test_one_is_not_sent_to_another_site_after_a_form(visitor: Visitor) -> None:
    for to in ("//elsewhere.example", "https://elsewhere.example/", "/\\elsewhere.example", "/?x=1"):
        visitor.go()
        answer = visitor.http.post("/do", data={"token": visitor.token, "do": "seen", "to": to})
        assert answer.headers["location"].startswith("/?after="), to


def test_who_asked_stands_in_the_journal(visitor: Visitor) -> None:
    visitor.go()
    visitor.send(do="look", cone="young", seen="none", to="/")
    visitor.go("/journal")
    assert "young: noted 'none' at" in visitor.text
    assert visitor.page is not None
    assert '<p class="who">page</p>' in visitor.page.text
    assert "Take back : young: noted" in visitor.text
    visitor.send(do="look", cone="young", undo="1", to="/journal")
    assert visitor.page.url.path == "/journal"
    assert "young: took back 'none'" in visitor.text
    assert "Take back : young: noted 'none'" not in visitor.text
