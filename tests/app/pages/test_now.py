"""The first page and what keeps it fresh, on a real running daemon."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path

from tests.app.pages.ground import Daemon, Ground, Visitor, fill, free_port, web
from tests.servers import Mosquitto, Receiver, wait_until
from tests.system.daemon import Client

CONE = re.compile(r'<li id="cone-([^"]+)"')


def test_a_sentence_for_each_cone_the_most_pressing_first(
    served: tuple[Ground, int], visitor: Visitor
) -> None:
    page = visitor.go().text
    assert CONE.findall(page) == ["ripe", "young", "spare"]
    for facts in served[0].data("now"):
        if facts["batch"] is not None and facts["cone"] == "young":
            # The same sentence as the command line's, as far as a minute does not move it.
            assert re.search(r"Ready (tomorrow )?about \d\d:\d\d, between", visitor.text)
    assert "Begin as before" in visitor.text
    assert re.search(r"water 26\.\d °C", visitor.text)


def test_the_band_is_told_in_words_as_well(visitor: Visitor) -> None:
    page = visitor.go().text
    drawn = re.findall(r'role="img" aria-label="([^"]+)"', page)
    assert len(drawn) == 2
    for words in drawn:
        assert re.search(r"about \d+% hatched now; half hatched (tomorrow )?about", words)
        assert "window opens" in words
        assert words in visitor.text  # for eyes, too, below the cones


def test_what_can_be_tapped_has_a_name_of_its_own(visitor: Visitor) -> None:
    page = visitor.go().text
    ids = re.findall(r'\sid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    for field in re.findall(r"<(?:input|select)[^>]*>", visitor.go("/note/spare").text):
        if 'type="hidden"' not in field:
            (name,) = re.findall(r'id="([^"]+)"', field)
            assert f'for="{name}"' in visitor.page.text if visitor.page else False, field


def test_the_first_screen_is_small(visitor: Visitor) -> None:
    """Below 60 KB with its style and its script, none of it compressed."""
    page = visitor.go()
    files = re.findall(r'<(?:link rel="stylesheet" href|script src)="([^"]+)"', page.text)
    assert len(files) == 2
    sizes = [len(page.content), *(len(visitor.http.get(file).content) for file in files)]
    assert sum(sizes) < 60_000, sizes


def test_our_files_are_kept_by_the_browser_until_they_change(visitor: Visitor) -> None:
    page = visitor.go().text
    (style,) = re.findall(r'href="(/static/page\.css[^"]+)"', page)
    answer = visitor.http.get(style)
    assert "immutable" in answer.headers["cache-control"]
    again = visitor.http.get("/static/page.css", headers={"if-none-match": answer.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert visitor.http.get("/static/nothing.css").status_code == 404


def test_it_can_be_put_on_the_home_screen(visitor: Visitor) -> None:
    page = visitor.go().text
    (where,) = re.findall(r'rel="manifest" href="([^"]+)"', page)
    answer = visitor.http.get(where)
    assert answer.headers["content-type"] == "application/manifest+json"
    manifest = json.loads(answer.text)
    assert (manifest["start_url"], manifest["display"]) == ("/", "standalone")
    for icon in manifest["icons"]:
        found = visitor.http.get(icon["src"])
        assert found.status_code == 200
        assert found.headers["content-type"] == icon["type"]


def test_the_stream_tells_of_a_change(served: tuple[Ground, int], visitor: Visitor) -> None:
    with visitor.http.stream("GET", "/events") as stream, Visitor(served[1]) as other:
        assert stream.headers["content-type"].startswith("text/event-stream")
        told = (int(line[6:]) for line in stream.iter_lines() if line.startswith("data: "))
        first = next(told)
        other.go()
        other.send(do="look", cone="ripe", seen="some")
        other.send(do="look", cone="ripe", undo="1")
        begun = time.monotonic()
        assert next(told) > first
        assert time.monotonic() - begun < 10.0


def test_an_alert_stands_until_it_is_seen_and_its_message_leads_to_the_cone(tmp_path: Path) -> None:
    port = free_port()
    with Mosquitto(tmp_path / "mosquitto") as broker, Receiver() as phone:
        lines = web(port, f'address = "http://localhost:{port}/"')
        push = [f"json://127.0.0.1:{phone.port}"]
        ground = Ground(tmp_path / "hatchmon", broker.port, push=push, web=lines)
        fill(ground, ("ripe", 25.0))
        with Daemon(ground), Visitor(port) as visitor, Client(broker.port) as client:
            client.send("hatchery/ripe/temperature", "26")
            wait_until(lambda: phone.posts, 30.0, "the alert to be pushed")
            link = phone.posts[0].body["message"].splitlines()[-1]
            assert link == f"http://localhost:{port}/cone/ripe"
            wait_until(lambda: 'id="seen-ripe"' in visitor.go().text, 10.0, "the alert to stand on the page")
            visitor.send(do="seen", cone="ripe", to="/")
            assert "ripe: seen:" in visitor.text
            assert visitor.page is not None
            assert 'id="seen-ripe"' not in visitor.page.text
            visitor.send(do="seen", cone="ripe", undo="1", to="/")
            assert 'id="seen-ripe"' in visitor.page.text
            visitor.send(do="seen", cone="ripe", to="/")
            visitor.go("/journal")
            assert "seen by page" in visitor.text
