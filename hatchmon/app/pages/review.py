"""The pages that look back: cones, batches, lots and how the forecasts did; each graph also as a file."""

from __future__ import annotations

import io
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

from markupsafe import Markup
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response, StreamingResponse
from starlette.routing import BaseRoute, Route

from hatchmon.adapters.store import Store
from hatchmon.app.charts.batch import batch_charts
from hatchmon.app.charts.chart import Chart
from hatchmon.app.charts.graph import Graph, graph_of, rows_of
from hatchmon.app.charts.lot import lot_charts
from hatchmon.app.charts.record import record_charts
from hatchmon.app.export import readings_between, write_csv
from hatchmon.app.pages.doing import after
from hatchmon.app.pages.site import Site
from hatchmon.app.state import cone_path
from hatchmon.hatchery.batches import NO_NAUPLII_BEFORE_H
from hatchmon.hatchery.types import Batch, Refused

NAV = (("/batches", "Batches"), ("/lots", "Lots"), ("/record", "Record"))
ON_A_PAGE = 30
FOREVER = "public, max-age=31536000, immutable"


def routes(site: Site) -> list[BaseRoute]:
    """``/cone/…``, ``/batches``, ``/lots``, ``/record``, their files, and the script that draws graphs."""
    past = site.past

    def batch_graphs(store: Store, number: int) -> tuple[Any, list[Chart]]:
        now = site.clock.now()
        found = past.batch(store, number, now)
        return found, batch_charts(found, now, site.voice)

    def show_batch(request: Request) -> Response:
        number = request.path_params["number"]
        with site.reading() as store:
            found, charts = batch_graphs(store, number)
            beside = _neighbours(store, found.batch)
        return graphs_page(
            request, "batch.html", _drawn(charts), f"/batches/{number}", title=f"Batch {number}", past=found,
            beside=beside,
        )  # fmt: skip

    def show_cone(request: Request) -> Response:
        cone = request.path_params["cone"]
        with site.reading() as store:
            _check_cone(store, cone)
            batches = store.batches(
                "batch_id IN (SELECT batch_id FROM batches WHERE cone = ? ORDER BY started_us DESC LIMIT ?)",
                cone, ON_A_PAGE,
            )[::-1]  # fmt: skip
            found, charts = batch_graphs(store, batches[0].batch_id) if batches else (None, [])
            notice = after(site, store, request)
        snapshot = site.snapshot
        live = next((each for each in snapshot.cones if each.name == cone), None) if snapshot else None
        files_at = f"/batches/{batches[0].batch_id}" if batches else ""
        return graphs_page(
            request, "cone.html", _drawn(charts), files_at, title=cone, cone=cone, past=found,
            batches=batches, live=live, notice=notice,
            lookable=found is not None and found.until_h >= NO_NAUPLII_BEFORE_H,
        )  # fmt: skip

    def show_label(request: Request) -> Response:
        cone = request.path_params["cone"]
        with site.reading() as store:
            _check_cone(store, cone)
        path = cone_path(cone)
        address = site.settings.web.link(path) or f"{request.url.scheme}://{request.url.netloc}{path}"
        return site.page(
            request, "label.html", title=f"Label for {cone}", cone=cone, address=address, code=_code(address),
            here_alone=urlsplit(address).hostname in ("localhost", "127.0.0.1", "::1"),
        )  # fmt: skip

    def show_batches(request: Request) -> Response:
        asked = request.query_params
        cone, lot = asked.get("cone") or None, asked.get("lot") or None
        start = (
            int(asked.get("from", "0"))
            if asked.get("from", "0").isascii() and asked.get("from", "0").isdigit()
            else 0
        )
        with site.reading() as store:
            where = "(? IS NULL OR cone = ?) AND (? IS NULL OR lot = ?)"
            chosen = (cone, cone, lot, lot)
            number = store.rows(f"SELECT count(*) AS n FROM batches WHERE {where}", *chosen)[0]["n"]
            batches = store.batches(
                f"""batch_id IN (SELECT batch_id FROM batches WHERE {where}
                    ORDER BY started_us DESC LIMIT ? OFFSET ?)""",
                *chosen, ON_A_PAGE, min(start, 10**9),
            )[::-1]  # fmt: skip
            said = {each.batch_id: store.last_forecast(each.batch_id) for each in batches}
        of = "".join(
            f"&{name}={quote(value)}" for name, value in (("cone", cone), ("lot", lot)) if value is not None
        )
        return site.page(
            request, "batches.html", title="Batches", batches=batches, said=said, cone=cone, lot=lot, of=of,
            newer=None if start == 0 else max(start - ON_A_PAGE, 0),
            older=start + ON_A_PAGE if start + ON_A_PAGE < number else None, number=number,
        )  # fmt: skip

    def show_lots(request: Request) -> Response:
        with site.reading() as store:
            lots = past.lots(store)
        return site.page(request, "lots.html", title="Lots", lots=lots)

    def lot_graphs(store: Store, name: str) -> tuple[Any, list[Chart]]:
        lot, speed = past.lot(store, name)
        return (lot, speed), lot_charts(lot, speed, site.voice)

    def show_lot(request: Request) -> Response:
        name = request.path_params["lot"]
        with site.reading() as store:
            (lot, speed), charts = lot_graphs(store, name)
        where = f"/lots/{quote(name, safe='')}"
        return graphs_page(
            request, "lot.html", _drawn(charts), where, title=f"Lot {name}", lot=lot, speed=speed
        )

    def show_record(request: Request) -> Response:
        with site.reading() as store:
            record = past.record(store)
            graphs = past.kept(store, "record drawn", lambda: _drawn(record_charts(record, site.voice)))
        return graphs_page(request, "record.html", graphs, "/record", title="Record", record=record)

    def graphs_page(
        request: Request, template: str, graphs: Sequence[Graph], where: str, **context: Any
    ) -> Response:
        return site.page(request, template, graphs=graphs, where=where, plotly=plotly_path(), **context)

    def numbers_of(charts: Sequence[Chart], request: Request, name: str) -> Response:
        for chart in charts:
            if chart.key == request.path_params["key"]:
                return csv_file(rows_of(chart), f"{name}-{chart.key}")
        raise HTTPException(404)

    def batch_numbers(request: Request) -> Response:
        number = request.path_params["number"]
        with site.reading() as store:
            if request.path_params["key"] == "readings":
                found = past.batch(store, number, site.clock.now()).batch
                readings = readings_between(store, found.cone, found.started, found.ended or site.clock.now())
                return csv_file(readings, f"batch-{number}-readings")
            return numbers_of(batch_graphs(store, number)[1], request, f"batch-{number}")

    def lot_numbers(request: Request) -> Response:
        name = request.path_params["lot"]
        with site.reading() as store:
            return numbers_of(lot_graphs(store, name)[1], request, f"lot-{name}")

    def record_numbers(request: Request) -> Response:
        with site.reading() as store:
            return numbers_of(record_charts(past.record(store), site.voice), request, "record")

    def guarded(show: Callable[[Request], Response]) -> Callable[[Request], Response]:
        def shown(request: Request) -> Response:
            try:
                return show(request)
            except Refused as why:
                return site.refused(request, why)

        return shown

    return [
        Route("/cone/{cone:path}/label", guarded(show_label)),
        Route("/cone/{cone:path}", guarded(show_cone)),
        Route("/batches", show_batches),
        Route("/batches/{number:int}", guarded(show_batch)),
        Route("/batches/{number:int}/{key}.csv", guarded(batch_numbers)),
        Route("/lots", show_lots),
        Route("/lots/{lot:path}/{key}.csv", guarded(lot_numbers)),
        Route("/lots/{lot:path}", guarded(show_lot)),  # a lot's name may hold a stroke
        Route("/record", show_record),
        Route("/record/{key}.csv", record_numbers),
        Route(plotly_path(), _script),
    ]


def _drawn(charts: Iterable[Chart]) -> list[Graph]:
    """Each made ready for a page."""
    return [graph_of(chart) for chart in charts]


def _check_cone(store: Store, cone: str) -> None:
    if not store.rows("SELECT 1 FROM cones WHERE cone = ?", cone):
        raise Refused(f"There is no cone {cone}.")


def _code(address: str) -> Markup:
    """A QR code (ISO/IEC 18004) that may lose 15 % of itself to a scratch or a drop."""
    import segno  # only who prints a label pays for it

    made = segno.make(address, error="m", boost_error=False, micro=False)
    return Markup(made.svg_inline(border=4, omitsize=True, light="#fff", svgclass="code", lineclass=None))


def _neighbours(store: Store, batch: Batch) -> tuple[int | None, int | None]:
    """The batches of the same cone before and after."""
    found = []
    for sign, order in (("<", "DESC"), (">", "ASC")):
        row = store.rows(
            f"""SELECT batch_id FROM batches WHERE cone = ? AND (started_us, batch_id) {sign}
                (SELECT started_us, batch_id FROM batches WHERE batch_id = ?)
                ORDER BY started_us {order}, batch_id {order} LIMIT 1""",
            batch.cone,
            batch.batch_id,
        )
        found.append(row[0]["batch_id"] if row else None)
    return found[0], found[1]


def csv_file(found: Iterable[dict[str, object]], name: str) -> Response:
    """Rows as a file to save, called ``name``."""
    out = io.StringIO()
    write_csv(found, out)
    safe = "".join(
        letter if letter.isascii() and (letter.isalnum() or letter in "-_.") else "_" for letter in name
    )
    headers = {"content-disposition": f'attachment; filename="{safe}.csv"'}
    return Response(out.getvalue(), media_type="text/csv", headers=headers)


# --- the script that draws graphs -----------------------------------------------------------------


@lru_cache(maxsize=1)
def plotly_path() -> str:
    """Where Plotly's script is served: a new address for each version."""
    return f"/graphs/plotly-{version('plotly')}.js"


def _script(request: Request) -> Response:
    """Plotly's script from its wheel; the library itself is never imported. Packed while it is sent, which
    a browser asks for once a version: so nothing of it stays in memory."""
    found = find_spec("plotly")
    assert found is not None
    assert found.submodule_search_locations is not None
    file = Path(found.submodule_search_locations[0]) / "package_data" / "plotly.min.js"
    headers = {"cache-control": FOREVER, "vary": "accept-encoding"}
    if "gzip" not in request.headers.get("accept-encoding", ""):
        return FileResponse(file, media_type="text/javascript", headers=headers)
    headers["content-encoding"] = "gzip"
    return StreamingResponse(_packed(file), media_type="text/javascript", headers=headers)


def _packed(file: Path) -> Iterator[bytes]:
    packer = zlib.compressobj(6, wbits=31)  # 31: with the frame of gzip
    with file.open("rb") as script:
        while part := script.read(1 << 18):
            yield packer.compress(part)
    yield packer.flush()
