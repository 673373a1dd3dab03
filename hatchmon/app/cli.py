"""The command line. Exit 0: done; 1: refused by the data; 2: wrong use."""

from __future__ import annotations

import json
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from hatchmon.hatchery.types import Quantity, Refused

app = typer.Typer(
    name="hatchmon",
    help="Watches brine shrimp hatches: when they are ready, and until when.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Config = Annotated[
    Path | None,
    typer.Option(
        "--config",
        help="Settings file.",
        show_default="/etc/hatchmon/hatchmon.toml",
        readable=False,  # or typer refuses what may not be read, without saying how to be allowed to
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
At = Annotated[
    str | None,
    typer.Option(
        "--at", metavar="TIME", help="When: 22:30, 'yesterday 22:30', '2h ago' or ISO 8601. Default: now."
    ),
]
Cone = Annotated[str, typer.Argument(help="The cone's name.")]
OfCone = Annotated[str | None, typer.Option("--cone", help="Only this cone.")]


class _Session:
    """Settings, clock and voice of one command, loaded only by the commands that need them."""

    def __init__(self, config: Path | None) -> None:
        from hatchmon.app.service import make_clock
        from hatchmon.app.settings import load_settings
        from hatchmon.hatchery.wording import Voice

        self.settings = load_settings(config)
        self.clock = make_clock(self.settings)
        self.now = self.clock.now()
        self.voice = Voice(self.settings.zone, self.settings.unit)

    def time(self, text: str | None) -> datetime | None:
        """A time the keeper typed; exits 2 when it is none."""
        from hatchmon.app.times import TimeUnclear, read_time

        if text is None:
            return None
        try:
            return read_time(text, self.now, self.voice.zone)
        except TimeUnclear as why:
            _wrong_use(str(why))

    def ask(self, as_json: bool, **body: Any) -> None:
        """Have a request carried out and say what came of it."""
        from hatchmon.app.ask import ask

        answer = ask(self.settings, self.clock, body)
        typer.echo(json.dumps(answer, ensure_ascii=False) if as_json else answer["text"])


def _wrong_use(why: str) -> NoReturn:
    typer.echo(why, err=True)
    raise typer.Exit(2)


@contextmanager
def _session(config: Path | None) -> Iterator[_Session]:
    """A session whose refusals end the command with their reason instead of a traceback."""
    from hatchmon.adapters.store import StoreError
    from hatchmon.app.settings import SettingsError

    try:
        yield _Session(config)
    except SettingsError as why:
        _wrong_use(str(why))
    except (Refused, StoreError) as why:
        typer.echo(str(why), err=True)
        raise typer.Exit(1) from None


@app.callback(invoke_without_command=True)
def _root(
    version: Annotated[
        bool, typer.Option("--version", help="Print the versions of hatchmon, Python and the database.")
    ] = False,
) -> None:
    if version:
        from hatchmon.app.versions import versions

        typer.echo("\n".join(versions()))
        raise typer.Exit


@app.command()
def run(
    config: Config = None, verbose: Annotated[bool, typer.Option("--verbose", help="Log more.")] = False
) -> None:
    """Watch the cones until told to stop (the daemon)."""
    from hatchmon.app import daemon

    raise typer.Exit(daemon.run(config, verbose))


@app.command()
def onewire(
    once: Annotated[
        bool, typer.Option("--once", help="Show what each probe says, and what to add for those not mapped.")
    ] = False,
    config: Config = None,
    verbose: Annotated[bool, typer.Option("--verbose", help="Log more.")] = False,
    as_json: AsJson = False,
) -> None:
    """Publish this machine's own DS18B20 probes to MQTT until told to stop."""
    from hatchmon.app.daemon import log_to_stderr
    from hatchmon.app.onewire import OneWireService, look_once, looks_json, looks_text

    with _session(config) as session:
        if once:
            looks = look_once(session.settings)
            if as_json:
                facts = looks_json(session.settings, looks, session.clock.now())
                typer.echo(json.dumps(facts, indent=2, ensure_ascii=False))
            else:
                typer.echo(looks_text(session.settings, looks))
            if not looks or any(look.problem for look in looks):
                raise typer.Exit(1)
            return
        if not session.settings.onewire.probes:
            _wrong_use(
                "No 1-Wire probe is in the settings. 'hatchmon onewire --once' shows which there are, "
                "and what to add."
            )
        log_to_stderr(verbose)
        service = OneWireService(session.settings, session.clock)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: service.stop())
        service.run()


@app.command()
def check(
    config: Config = None,
    settings_only: Annotated[
        bool, typer.Option("--settings-only", help="Read the settings, touch nothing.")
    ] = False,
    send: Annotated[bool, typer.Option("--send", help="Send a test message to every push address.")] = False,
    clear: Annotated[
        str | None,
        typer.Option(metavar="SHARE", help="Take away the claim of a share that is gone for good."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Check settings, database, broker, series store and push; say how to mend what fails."""
    from dataclasses import asdict

    from hatchmon.app.check import check_all, clear_share

    with _session(config) as session:
        if clear is not None:
            said = clear_share(session.settings, session.clock, clear)
            typer.echo(json.dumps({"text": said}) if as_json else said)
            return
        if settings_only:
            facts = [{"part": "settings", "ok": True, "text": "read", "mend": ""}]
            typer.echo(json.dumps(facts, indent=2) if as_json else "settings: read")
            return
        findings = []
        for finding in check_all(session.settings, session.clock, send):
            findings.append(finding)
            if not as_json:
                typer.echo(f"{'ok  ' if finding.ok else 'MEND'} {finding.part}: {finding.text}")
                if finding.mend:
                    typer.echo(f"     -> {finding.mend}")
        if as_json:
            typer.echo(json.dumps([asdict(finding) for finding in findings], indent=2, ensure_ascii=False))
        if not all(finding.ok for finding in findings):
            raise typer.Exit(1)


@app.command()
def begin(
    cone: Cone,
    lot: Annotated[str | None, typer.Option(help="The tin or bag the cysts come from.")] = None,
    grams: Annotated[float | None, typer.Option(help="Weight of dry cysts, g.")] = None,
    litres: Annotated[float | None, typer.Option(help="Volume of brine, L.")] = None,
    at: At = None,
    set_point: Annotated[
        str | None, typer.Option(metavar="TEMP", help="The heater's set point: 26, 26C or 79F.")
    ] = None,
    salinity: Annotated[float | None, typer.Option(help="Salinity, g/L.")] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take back a start by mistake.")] = False,
    config: Config = None,
    as_json: AsJson = False,
) -> None:
    """Begin a batch: cysts have gone into a cone. Without --lot and --grams, as the cone's last one was."""
    if not undo and (lot is None) != (grams is None):
        missing = "--lot" if lot is None else "--grams"
        _wrong_use(
            f"{missing} is missing. Give both, or neither: then it is begun as the cone's last one was."
        )
    with _session(config) as session:
        session.ask(
            as_json, do="begin", cone=cone, lot=lot, grams=grams, litres=litres, at=session.time(at),
            set_point_c=_temperature("--set-point", set_point, "26, 26C or 79F"), salinity=salinity,
            undo=undo or None,
        )  # fmt: skip


def _temperature(option: str, text: str | None, such_as: str) -> float | None:
    """Deg C of a temperature such as ``26``, ``26C`` or ``79F``; exits 2 when it is none."""
    from hatchmon.hatchery.units import celsius

    if text is None:
        return None
    plain = text.strip().upper().replace("°", "")
    try:
        value = float(plain.rstrip("CF"))
    except ValueError:
        _wrong_use(f"{option}: '{text}' is not a temperature; write {such_as}.")
    return celsius(value) if plain.endswith("F") else value


@app.command()
def look(
    cone: Cone,
    seen: Annotated[
        list[str] | None,
        typer.Argument(
            help="none, few, some, most, nearly all, complete, not complete; or a percentage: 60%."
        ),
    ] = None,
    at: At = None,
    undo: Annotated[
        bool, typer.Option("--undo", help="Take back the newest look, or the one at --at.")
    ] = False,
    config: Config = None,
    as_json: AsJson = False,
) -> None:
    """Note how much has hatched, by eye."""
    if bool(seen) == undo:
        _wrong_use(
            "SEEN is missing: say what you saw (none, few, some, most, nearly all, complete, or 60%), "
            "or --undo alone."
        )
    with _session(config) as session:
        session.ask(
            as_json,
            do="look",
            cone=cone,
            seen=" ".join(seen) if seen else None,
            at=session.time(at),
            undo=undo,
        )


@app.command()
def reading(
    cone: Cone,
    value: Annotated[float, typer.Argument(help="What the thermometer or other instrument says.")],
    quantity: Annotated[Quantity, typer.Option(help="What was measured.")] = Quantity.TEMPERATURE,
    unit: Annotated[str | None, typer.Option(help="C or F for temperatures; see the README.")] = None,
    at: At = None,
    config: Config = None,
    as_json: AsJson = False,
) -> None:
    """Note a reading taken by hand; it makes the cone if it is new."""
    with _session(config) as session:
        if unit is None and quantity in (Quantity.TEMPERATURE, Quantity.AIR_TEMPERATURE):
            unit = session.settings.unit
        session.ask(
            as_json,
            do="reading",
            cone=cone,
            value=value,
            quantity=quantity.value,
            unit=unit,
            at=session.time(at),
        )


@app.command()
def count(
    cone: Cone,
    sample_ml: Annotated[float | None, typer.Option(help="Volume of each sample, ml.")] = None,
    nauplii: Annotated[
        str | None, typer.Option(metavar="N[,N...]", help="Nauplii in each sample: 120,133,118.")
    ] = None,
    umbrella: Annotated[
        str | None, typer.Option(metavar="N[,N...]", help="Embryos hanging from their shell, in each.")
    ] = None,
    unhatched: Annotated[
        str | None, typer.Option(metavar="N[,N...]", help="Unhatched full cysts in each; no empty shells.")
    ] = None,
    litres: Annotated[
        float | None,
        typer.Option(help="Water the samples were drawn from, L. Default: the batch's, until its harvest."),
    ] = None,
    at: At = None,
    undo: Annotated[
        bool, typer.Option("--undo", help="Take back the newest count, or the one at --at.")
    ] = False,
    config: Config = None,
    as_json: AsJson = False,
) -> None:
    """Note what was counted in samples: hatching percentage and nauplii per gram.

    Counts for the batch in the cone at the time. In an empty cone, and in the first six hours of a batch,
    when nothing can have hatched, nauplii count for the batch harvested up to 24 hours before.
    """
    with _session(config) as session:
        session.ask(
            as_json, do="count", cone=cone, sample_ml=sample_ml, nauplii=_numbers("--nauplii", nauplii),
            umbrella=_numbers("--umbrella", umbrella), unhatched=_numbers("--unhatched", unhatched),
            litres=litres, at=session.time(at), undo=undo,
        )  # fmt: skip


def _numbers(option: str, text: str | None) -> list[int] | None:
    """The whole numbers of a list such as ``120,133,118``; exits 2 when it is none."""
    if text is None:
        return None
    try:
        return [int(part) for part in text.replace(",", " ").split()]
    except ValueError:
        _wrong_use(f"{option}: '{text}' is not a list of whole numbers; write 120,133,118.")


@app.command()
def salt(
    litres: Annotated[float, typer.Option(help="Volume of brine wished, L.")],
    salinity: Annotated[
        str | None, typer.Option(metavar="S", help="Wished: 25 or 25g/kg (also ppt), 25psu or 25g/L.")
    ] = None,
    sg: Annotated[float | None, typer.Option(help="Wished, as a hydrometer shows it: 1.020.")] = None,
    sg_ref: Annotated[float, typer.Option(help="Temperature printed on the hydrometer, C.")] = 25.0,
    conductivity: Annotated[
        float | None, typer.Option(help="Wished, mS/cm at --temp; at 25 C if the meter compensates to it.")
    ] = None,
    temp: Annotated[float, typer.Option(help="Temperature of the water, C.")] = 25.0,
    start: Annotated[
        str, typer.Option("--from", metavar="S0", help="What the water holds already; units as --salinity.")
    ] = "0",
    purity: Annotated[float, typer.Option(help="Share of dry salt: 1 is pure, .95 damp.")] = 1.0,
    as_json: AsJson = False,
) -> None:
    """Work out the salt for a cone's water, or the fresh water if it is too salty."""
    from hatchmon.app.salt import Unclear, plan_salt, salt_json, salt_text

    try:
        plan = plan_salt(litres, salinity, sg, sg_ref, conductivity, temp, start, purity)
    except Unclear as why:
        _wrong_use(str(why))
    except Refused as why:
        typer.echo(str(why), err=True)
        raise typer.Exit(1) from None
    typer.echo(salt_json(plan) if as_json else salt_text(plan))


@app.command()
def harvest(
    cone: Cone,
    at: At = None,
    discard: Annotated[bool, typer.Option("--discard", help="Thrown away, not harvested.")] = False,
    cold_c: Annotated[
        str | None, typer.Option(metavar="TEMP", help="Into a cold store at this temperature: 4, 4C or 39F.")
    ] = None,
    used_up: Annotated[
        bool,
        typer.Option("--used-up", help="End no batch: the oldest nauplii in the cold store are used up."),
    ] = False,
    undo: Annotated[
        bool, typer.Option("--undo", help="Take back the cone's last harvest: its batch runs on.")
    ] = False,
    config: Config = None,
    as_json: AsJson = False,
) -> None:
    """End the batch in a cone: harvested, also into a cold store, or thrown away."""
    with _session(config) as session:
        session.ask(
            as_json, do="harvest", cone=cone, at=session.time(at), discard=discard,
            cold_c=_temperature("--cold-c", cold_c, "4, 4C or 39F"), used_up=used_up,
            undo=undo or None,
        )  # fmt: skip


@app.command()
def seen(
    cone: Annotated[str | None, typer.Argument(help="Only what was told about this cone.")] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take back the last time you said so.")] = False,
    config: Config = None,
    as_json: AsJson = False,
) -> None:
    """Say that you have seen what you were told: it is not told again, nor to the second address."""
    with _session(config) as session:
        session.ask(as_json, do="seen", cone=cone, undo=undo or None)


@app.command()
def now(config: Config = None, as_json: AsJson = False) -> None:
    """Show every cone: what to expect and until when, the most pressing first."""
    from hatchmon.adapters.store import Store
    from hatchmon.app import views
    from hatchmon.app.shown.cones import cones_shown
    from hatchmon.app.shown.console import console

    with _session(config) as session, Store(session.settings.store.path, read_only=True) as store:
        cones = views.cones_now(session.settings, store, session.now)
        if as_json:
            facts = views.cones_json(cones, session.now, session.voice)
            typer.echo(json.dumps(facts, indent=2, ensure_ascii=False))
        else:
            console().print(cones_shown(cones, session.now, session.voice))


@app.command()
def batches(
    number: Annotated[int | None, typer.Argument(help="Only this batch, in full.", min=1)] = None,
    cone: OfCone = None,
    lot: Annotated[str | None, typer.Option(help="Only this lot.")] = None,
    config: Config = None,
    as_json: AsJson = False,
) -> None:
    """List the batches: when, how much, what was forecast, what was seen.

    With a NUMBER: everything about that batch, and why it was slow, poor or spread out.
    """
    from hatchmon.adapters.store import Store
    from hatchmon.app import views
    from hatchmon.app.shown.cones import batches_shown, detail_shown
    from hatchmon.app.shown.console import console

    with _session(config) as session, Store(session.settings.store.path, read_only=True) as store:
        if number is not None:
            from hatchmon.app.detail import batch_detail, detail_json

            if cone is not None or lot is not None:
                _wrong_use("Give the number of a batch, or --cone and --lot.")
            detail = batch_detail(session.settings, store, number, session.now, session.voice)
            if as_json:
                typer.echo(json.dumps(detail_json(detail), indent=2, ensure_ascii=False))
            else:
                console().print(detail_shown(detail, session.now, session.voice))
            return
        rows = views.batch_rows(store, cone, lot)
        if as_json:
            typer.echo(json.dumps(views.batches_json(rows), indent=2, ensure_ascii=False))
        elif not rows and (cone is not None or lot is not None):
            typer.echo(f"No batch{views.of_words(cone, lot)}. All of them: hatchmon batches")
        else:
            console().print(batches_shown(rows, session.now, session.voice))
            typer.echo(f"  {views.record_of(session.settings, store)}")


@app.command()
def lots(config: Config = None, as_json: AsJson = False) -> None:
    """List the lots of cysts, how they have done and what they yield."""
    from hatchmon.adapters.store import Store
    from hatchmon.app.lots import lot_rows, lots_json, lots_shown
    from hatchmon.app.shown.console import console

    with _session(config) as session, Store(session.settings.store.path, read_only=True) as store:
        found = lot_rows(store, session.settings, session.now)
        if as_json:
            typer.echo(json.dumps(lots_json(found), indent=2, ensure_ascii=False))
        else:
            console().print(lots_shown(found))


@app.command()
def fleet(
    everything: Annotated[
        bool, typer.Option("--all", help="Every batch that runs, not the most pressing alone.")
    ] = False,
    config: Config = None,
    as_json: AsJson = False,
) -> None:
    """Show all sites that write to one series store: what is ready where, which lag, how lots compare."""
    from hatchmon.adapters.promql import Unanswered
    from hatchmon.app.fleet import COMMAND_LIMIT_S, read_fleet
    from hatchmon.app.fleet_views import fleet_json
    from hatchmon.app.shown.console import console
    from hatchmon.app.shown.fleet import fleet_shown

    with _session(config) as session:
        if session.settings.fleet is None:
            _wrong_use("No store of all sites is set: give its address as url under [fleet] in the settings.")
        try:
            found = read_fleet(session.settings.fleet, session.now, COMMAND_LIMIT_S)
        except Unanswered as why:
            raise Refused(str(why)) from None
        if as_json:
            typer.echo(json.dumps(fleet_json(found, session.voice), indent=2, ensure_ascii=False))
        else:
            console().print(fleet_shown(found, session.voice, everything))


@app.command()
def supply(
    days: Annotated[
        int | None,
        typer.Option(min=1, max=60, help="How far ahead; other than set, what was issued stays as it is."),
    ] = None,
    mixing: Annotated[
        bool, typer.Option("--sheet", help="The mixing sheet for the next start, as planned last.")
    ] = False,
    shells: Annotated[
        bool, typer.Option("--shells", help="With --sheet: what to mind when taking the shells off first.")
    ] = False,
    config: Config = None,
    as_json: AsJson = False,
) -> None:
    """Plan what to begin, so that every feeding has its nauplii."""
    from hatchmon.adapters.store import Store, StoreError
    from hatchmon.app import supply_views
    from hatchmon.app.plan_record import issued_of
    from hatchmon.app.planning import issue, plan_now
    from hatchmon.app.shown.console import console
    from hatchmon.app.shown.supply import plan_shown, sheet_shown

    if shells and not mixing:
        _wrong_use("--shells goes with --sheet.")
    with _session(config) as session:
        facts = not_kept = None
        if mixing:
            with Store(session.settings.store.path, read_only=True) as store:
                issued = issued_of(store)
            facts = None if issued is None else issued.facts
        if facts is None:
            facts = plan_now(session.settings, session.now, days)
            if days is None or days == session.settings.supply.days:
                try:
                    issue(session.settings, session.clock, facts)
                except (Refused, StoreError) as why:
                    not_kept = str(why)  # it is worth seeing all the same
        if mixing:
            sheet = supply_views.next_sheet(facts, session.now)
            if as_json:
                said = supply_views.sheet_json(sheet, shells)
                typer.echo(json.dumps(said, indent=2, ensure_ascii=False))
            else:
                console().print(sheet_shown(sheet, shells, session.now, session.voice))
        elif as_json:
            typer.echo(json.dumps(facts, indent=2, ensure_ascii=False))
        else:
            console().print(plan_shown(facts, session.now, session.voice))
        if not_kept is not None:
            typer.echo(
                f"This plan is shown, but was not kept for alerts, page and calendar: {not_kept}", err=True
            )


@app.command()
def brood(
    name: Annotated[str | None, typer.Argument(help="The brood's name; without it all are listed.")] = None,
    fry: Annotated[int | None, typer.Option(help="How many there were when they began to swim.")] = None,
    swam: Annotated[
        str | None, typer.Option(metavar="DAY", help="The day they began to swim freely: 2026-03-01.")
    ] = None,
    mouth: Annotated[str | None, typer.Option(help="tiny, small (else assumed) or large.")] = None,
    ramp: Annotated[str | None, typer.Option(help="A ramp of the settings, else that of the mouth.")] = None,
    loss: Annotated[float | None, typer.Option(help="Losses, % of those left a day.")] = None,
    until: Annotated[
        str | None,
        typer.Option(metavar="DAY|none", help="The first day without nauplii, whatever the ramp says."),
    ] = None,
    drop: Annotated[bool, typer.Option("--drop", help="Forget the brood.")] = False,
    config: Config = None,
    as_json: AsJson = False,
) -> None:
    """Note a brood of fry to feed, or what has changed of it; or list them."""
    from hatchmon.adapters.store import Store
    from hatchmon.app import supply_views
    from hatchmon.app.shown.console import console
    from hatchmon.app.shown.supply import broods_shown

    with _session(config) as session:
        if name is not None:
            if mouth is not None and mouth not in ("tiny", "small", "large"):
                _wrong_use(f"--mouth: '{mouth}' is not a size; write tiny, small or large.")
            session.ask(
                as_json, do="brood", brood=name, fry=fry, swam=_day("--swam", swam), mouth=mouth, ramp=ramp,
                loss_per_day=None if loss is None else loss / 100.0, drop=drop,
                **_day_or_none("ends", "--until", until),
            )  # fmt: skip
            return
        with Store(session.settings.store.path, read_only=True) as store:
            ramps = session.settings.supply.all_ramps
            today = session.now.astimezone(session.settings.zone).date()
            facts = [
                supply_views.brood_facts(each, ramps[each.ramp_name], today)
                for each in store.broods()
                if each.ramp_name in ramps
            ]
        if as_json:
            typer.echo(json.dumps(facts, indent=2, ensure_ascii=False))
        else:
            console().print(broods_shown(facts))


@app.command()
def stock(
    lot: Annotated[str | None, typer.Argument(help="The lot; without it all are listed.")] = None,
    grams: Annotated[float | None, typer.Option(help="Grams of cysts left now.")] = None,
    opened: Annotated[
        str | None, typer.Option(metavar="DAY|none", help="The day the tin was opened: 2026-03-01.")
    ] = None,
    price_per_kg: Annotated[float | None, typer.Option(help="What a kilogram costs.")] = None,
    drop: Annotated[bool, typer.Option("--drop", help="No longer count the lot.")] = False,
    config: Config = None,
    as_json: AsJson = False,
) -> None:
    """Note what is left of a lot of cysts, or what has changed of it; or list them."""
    from hatchmon.adapters.store import Store
    from hatchmon.app import supply_views
    from hatchmon.app.shown.console import console
    from hatchmon.app.shown.supply import stock_shown

    with _session(config) as session:
        if lot is not None:
            session.ask(
                as_json, do="stock", lot=lot, grams=grams, price_per_kg=price_per_kg, drop=drop,
                **_day_or_none("opened", "--opened", opened),
            )  # fmt: skip
            return
        with Store(session.settings.store.path, read_only=True) as store:
            found = store.stock()
        if as_json:
            typer.echo(json.dumps(supply_views.stock_facts(found), indent=2, ensure_ascii=False))
        else:
            console().print(stock_shown(found))


def _day_or_none(name: str, option: str, text: str | None) -> dict[str, Any]:
    """What to ask for where an option gives a day, or ``none`` for no longer any."""
    if text is not None and text.strip() == "none":
        return {"without": [name]}
    return {name: _day(option, text)}


def _day(option: str, text: str | None) -> date | None:
    """A calendar day such as ``2026-03-01``; exits 2 when it is none."""
    if text is None:
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        _wrong_use(f"{option}: '{text}' is not a day; write 2026-03-01.")


@app.command()
def export(
    table: Annotated[
        str,
        typer.Argument(
            help="readings, batches, looks, counts, forecasts, alerts, requests, rejected (messages nobody "
            "could read) or refused (lines the series store would not have)."
        ),
    ],
    cone: OfCone = None,
    out: Annotated[
        Path | None, typer.Option(help="File to write, JSON if so named, else CSV; default: print.")
    ] = None,
    config: Config = None,
    as_json: AsJson = False,
) -> None:
    """Write a table of the record as CSV (or JSON), times in UTC."""
    from hatchmon.adapters.store import Store
    from hatchmon.app.export import TABLES, rows, write_csv, write_json

    if table not in TABLES:
        _wrong_use(f"'{table}' is not a table; choose {', '.join(TABLES)}.")
    with _session(config) as session, Store(session.settings.store.path, read_only=True) as store:
        if out is None:
            (write_json if as_json else write_csv)(rows(store, table, cone), sys.stdout)
            return
        write = write_json if out.suffix == ".json" else write_csv
        try:
            with out.open("x", encoding="utf-8", newline="") as file:
                count = write(rows(store, table, cone), file)
        except FileExistsError:
            raise Refused(f"{out} exists already; name a new file.") from None
        except OSError as error:
            raise Refused(f"{out} cannot be written: {error.strerror}.") from None
        said = {"file": str(out), "rows": count}
        typer.echo(json.dumps(said) if as_json else f"{count} rows in {out}")


@app.command()
def report(
    number: Annotated[int | None, typer.Argument(metavar="BATCH", help="The batch's number.", min=1)] = None,
    month: Annotated[
        str | None, typer.Option(metavar="YYYY-MM", help="All batches begun in this month instead.")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="File to write; default: print.")] = None,
    config: Config = None,
) -> None:
    """Write a batch, or a month of them, as one HTML file that opens without a network."""
    from hatchmon.adapters.store import Store
    from hatchmon.app.report import Reporter

    if (number is None) == (month is None):
        _wrong_use("Give the number of a batch, or --month YYYY-MM; 'hatchmon batches' lists them.")
    with _session(config) as session, Store(session.settings.store.path, read_only=True) as store:
        reporter = Reporter(session.settings, store, session.now)
        text = reporter.month(month) if month is not None else reporter.batch(number or 0)
        if out is None:
            sys.stdout.write(text)
            return
        try:
            with out.open("x", encoding="utf-8") as file:
                file.write(text)
        except FileExistsError:
            raise Refused(f"{out} exists already; name a new file.") from None
        except OSError as error:
            raise Refused(f"{out} cannot be written: {error.strerror}.") from None
        typer.echo(f"{out}: {out.stat().st_size / 1e6:.1f} MB")


_IMPORT_HELP = """Take past batches from a notebook; without --yes, show what that would do, change nothing.

The file is a CSV separated by commas, or by semicolons, which allows decimal commas. Its columns:

start: 2025-11-03 21:30, local time. lot. grams.
temp_c or temp_f: the water, 26 or 25-27 or 26+-1. temp_doubt_c: how far that may be off; else half of a
range, or 1 C.
looks: "some@14h; most@18h; complete@24h", hours from the start or times; "|" separates as well.
done_by: when it was complete, 24h or 2025-11-04 21:30. not_done_at: when it was last seen not complete,
which tells as much.
If wished: litres, salinity (g/L), cone (else notebook), notes (not read).

Bad lines are refused by number and the others kept; what is known already is left alone. Exit 1 when a line
was refused.
"""


@app.command("import", help=_IMPORT_HELP)
def import_(
    file: Annotated[Path, typer.Argument(help="CSV; its first line names the columns.")],
    yes: Annotated[bool, typer.Option("--yes", help="Store what is shown.")] = False,
    config: Config = None,
    as_json: AsJson = False,
) -> None:
    from contextlib import nullcontext

    from hatchmon.adapters.store import Store
    from hatchmon.app import notebook
    from hatchmon.app.ask import ask_all
    from hatchmon.app.shown.console import console

    with _session(config) as session:
        lines = notebook.read_notebook(file, session.now, session.voice)
        path = session.settings.store.path
        with Store(path, read_only=True) if path.exists() else nullcontext() as store:
            plan = notebook.plan_import(lines, store, session.now, session.voice)
        requests = notebook.bodies(plan) if yes else []
        if requests:
            plan = notebook.carried_out(plan, ask_all(session.settings, session.clock, requests))
        if as_json:
            typer.echo(json.dumps(notebook.plan_json(plan, yes), indent=2, ensure_ascii=False))
        else:
            shown = notebook.plan_shown(plan, file, yes, session.now, session.voice)
            console().print(shown)
        if plan.of("refused"):
            raise typer.Exit(1)


@app.command()
def passphrase(as_json: AsJson = False) -> None:
    """Make the two lines that let the page be reached from other machines; asks for a passphrase."""
    from hatchmon.adapters.web.access import SHORTEST_PASSPHRASE, hash_passphrase, new_secret

    if sys.stdin.isatty():
        said = typer.prompt("Passphrase for the page", hide_input=True, confirmation_prompt=True, err=True)
    else:
        said = sys.stdin.readline().rstrip("\r\n")
    if len(said) < SHORTEST_PASSPHRASE:
        _wrong_use(f"A passphrase has {SHORTEST_PASSPHRASE} characters or more; four words are better.")
    lines = {"passphrase": hash_passphrase(said), "secret": new_secret()}
    if as_json:
        typer.echo(json.dumps(lines))
        return
    typer.echo("Put this into the settings, then restart hatchmon:", err=True)
    typer.echo("[web]")
    for name, value in lines.items():
        typer.echo(f'{name} = "{value}"')


@app.command()
def calendar(config: Config = None, as_json: AsJson = False) -> None:
    """Make a new secret address for the calendar feed; the old one ends."""
    from hatchmon.adapters.calendar import new_calendar_secret
    from hatchmon.app.feed import feed_path

    secret = new_calendar_secret()
    with _session(config) as session:
        web = session.settings.web
        address = web.link(feed_path(secret)) or f"http://{web.host}:{web.port}{feed_path(secret)}"
    if as_json:
        typer.echo(json.dumps({"calendar": secret, "address": address}))
        return
    typer.echo("Put this into the settings, then restart hatchmon:", err=True)
    typer.echo(f'[web]\ncalendar = "{secret}"')
    typer.echo(f"Subscribe the calendar to: {address}", err=True)


@app.command()
def backup(
    file: Annotated[Path, typer.Argument(help="Where to put the copy; must not exist yet.")],
    config: Config = None,
    as_json: AsJson = False,
) -> None:
    """Copy the database safely, also while the daemon runs."""
    from hatchmon.adapters.store import Store

    with _session(config) as session, Store(session.settings.store.path, read_only=True) as store:
        store.backup(file)
        said = {"file": str(file), "bytes": file.stat().st_size}
        typer.echo(json.dumps(said) if as_json else f"{file}: {said['bytes']} bytes, a complete copy")


@app.command()
def replay(
    folder: Annotated[
        Path,
        typer.Argument(
            help="Holds batch.json and temperature.csv; if wished looks.csv, counts.csv, history/."
        ),
    ],
    as_json: AsJson = False,
) -> None:
    """Forecast from files alone, touching no database."""
    from hatchmon.app.replay import replay, replay_json, replay_text

    try:
        replayed = replay(folder)
    except Refused as why:
        typer.echo(str(why), err=True)
        raise typer.Exit(1) from None
    typer.echo(replay_json(replayed) if as_json else replay_text(replayed))


@app.command()
def demo(
    speed: Annotated[
        float, typer.Option(min=1.0, max=1000.0, help="How many times as fast as real time its clock runs.")
    ] = 240.0,
    for_s: Annotated[
        float | None,
        typer.Option("--for", min=1.0, metavar="SECONDS", help="End after so long.", show_default="Ctrl-C"),
    ] = None,
    no_web: Annotated[bool, typer.Option("--no-web", help="Serve no page.")] = False,
) -> None:
    """Show all of it at work in an invented hatchery; leaves nothing behind."""
    from hatchmon.app.demo import DemoError, run_demo

    try:
        run_demo(speed, for_s, not no_web)
    except DemoError as why:
        typer.echo(str(why), err=True)
        raise typer.Exit(1) from None
