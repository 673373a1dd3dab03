"""The settings there are, each with its default and its check."""

from __future__ import annotations

import ipaddress
import zoneinfo
from collections.abc import Iterator
from datetime import time, tzinfo
from functools import cached_property
from pathlib import Path
from typing import Annotated, Self
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, SecretStr, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from hatchmon.app.settings_supply import Cone, Supply
from hatchmon.app.settings_values import (
    AbsolutePath,
    AlertName,
    AlertUrgency,
    CalendarSecret,
    ConeName,
    ConeNames,
    DisplayUnit,
    HostName,
    HttpAddress,
    HttpMethod,
    Minutes,
    Moment,
    NotEmpty,
    OneWireId,
    OneWireQuantity,
    OwnAddress,
    PageAddress,
    PassphraseHash,
    Pointer,
    ProbeQuantity,
    ProbeUnit,
    PushAddress,
    RequestName,
    Salinity,
    Secret,
    SecretHttpAddress,
    SessionSecret,
    SiteName,
    Switch,
    Temperature,
    TimeOfDay,
    Topic,
    ZoneName,
    machine_zone,
    number_between,
    quoted,
    refuse,
    whole_between,
)


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)


class Store(_Section):
    """Where the record is kept, and how: ``gather_s`` is the time between two transactions when calm;
    after ``raw_days`` the readings of a minute become one."""

    path: AbsolutePath = Path("/var/lib/hatchmon/hatchmon.db")
    # Below 30: Linux writes pages of a memory-mapped file once they have been changed for that long, and the
    # index of the write-ahead log is one; so it is written for every other transaction only.
    gather_s: Annotated[float, number_between(0, 30, " (seconds)")] = 28.0
    raw_days: Annotated[int, whole_between(14, 3650)] = 30


class Backup(_Section):
    """Copies of the database: one a day, ``at`` that local time; the newest ``keep`` stay in ``folder``."""

    daily: Switch = True
    at: TimeOfDay = time(4, 40)
    keep: Annotated[int, whole_between(1, 60)] = 3
    folder: AbsolutePath | None = None


class Clock(_Section):
    """The machine's clock: how long to wait until it is set; 0 where it runs on a battery."""

    wait_min: Minutes = 10.0


class Broker(_Section):
    """The MQTT broker. ``client_id`` is filled from the site when the keeper gives none."""

    host: HostName = "127.0.0.1"
    port: Annotated[int, whole_between(1, 65_535)] = 1883
    username: NotEmpty | None = None
    password: Secret | None = None
    tls: Switch = False
    ca_file: AbsolutePath | None = None
    cert_file: AbsolutePath | None = None
    key_file: AbsolutePath | None = None
    key_password: Secret | None = None
    client_id: NotEmpty | None = None
    receive_maximum: Annotated[int, whole_between(20, 10_000)] = 200

    @model_validator(mode="after")
    def _together(self) -> Self:
        if self.password is not None and self.username is None:
            refuse("is given without broker.username; the broker wants both", "password")
        if self.ca_file is not None and not self.tls:
            refuse("is given, but broker.tls is not true: nothing would be encrypted", "ca_file")
        if self.cert_file is not None and not self.tls:
            refuse("is given, but broker.tls is not true: it would not be shown", "cert_file")
        for name in ("key_file", "key_password"):
            if getattr(self, name) is not None and self.cert_file is None:
                refuse("is given without broker.cert_file, the certificate it belongs to", name)
        return self


class Share(_Section):
    """What one of several hatchmons on one broker looks after: ``cones``, by name, ranges spelled out."""

    name: SiteName
    cones: ConeNames

    @cached_property
    def names(self) -> frozenset[str]:
        """The same to be looked up in."""
        return frozenset(self.cones)


class Probe(_Section):
    """One probe: the topic it publishes to, and what its messages mean.

    Without ``value_pointer`` the message is a plain number; pointers are RFC 6901.
    """

    cone: ConeName
    quantity: ProbeQuantity
    topic: Topic
    unit: ProbeUnit = Field(default=None, validate_default=True)
    value_pointer: Pointer | None = None
    time_pointer: Pointer | None = None

    @model_validator(mode="after")
    def _together(self) -> Self:
        if self.time_pointer is not None and self.value_pointer is None:
            refuse(
                "is given without value_pointer; a message with a time is JSON and needs both", "time_pointer"
            )
        return self


class OneWireProbe(_Section):
    """One DS18B20 on this machine's own 1-Wire bus, and what it measures."""

    id: OneWireId
    cone: ConeName
    quantity: OneWireQuantity


class OneWire(_Section):
    """The 1-Wire probes of this machine, which ``hatchmon onewire`` publishes and the daemon hears."""

    every_s: Annotated[float, number_between(1, 3600, " (seconds)")] = 10.0
    path: AbsolutePath = Path("/sys/bus/w1/devices")
    probes: list[OneWireProbe] = Field(default_factory=list)

    @model_validator(mode="after")
    def _together(self) -> Self:
        ids: dict[str, int] = {}
        places: dict[tuple[str, str], int] = {}
        for index, probe in enumerate(self.probes):
            first = ids.setdefault(probe.id, index)
            if first != index:
                refuse(f"{quoted(probe.id)} is already onewire.probes[{first}]", "probes", index, "id")
            first = places.setdefault((probe.cone, probe.quantity), index)
            if first != index:
                refuse(
                    f"{quoted(probe.cone)} already has its {probe.quantity} from onewire.probes[{first}];"
                    " two probes in one cone cannot be told apart",
                    "probes",
                    index,
                    "cone",
                )
        return self


class Requests(_Section):
    """What may be asked for over MQTT, by a push button beside a cone for instance; nothing unless named."""

    over_mqtt: list[RequestName] = Field(default_factory=list)


class Series(_Section):
    """A time-series store that takes InfluxDB v2 writes."""

    url: HttpAddress
    token: Secret = SecretStr("")
    org: str = ""
    bucket: NotEmpty = "hatchmon"


class Fleet(_Section):
    """The store that all sites write to, to be read: its address before /api/v1/query, and its token.

    ``lagging_min``: after so long without a sign a site lags; ``record_days`` of batches are compared.
    """

    url: HttpAddress
    token: Secret = SecretStr("")
    lagging_min: Annotated[float, number_between(5, 1440, " (minutes)")] = 60.0
    record_days: Annotated[int, whole_between(1, 365)] = 30


class Second(_Section):
    """Who is told as well what nobody has seen in time: addresses, after how long, for which urgencies."""

    to: list[PushAddress]
    after_min: Annotated[float, number_between(1, 1440, " (minutes)")] = 30.0
    urgencies: list[AlertUrgency] = Field(alias="for", default=["now"])

    @model_validator(mode="after")
    def _together(self) -> Self:
        for key, given in (("to", self.to), ("for", self.urgencies)):
            if not given:
                refuse("is empty; leave the section out to have nobody else told", key)
        return self


class Push(_Section):
    """Where messages to the keeper go: Apprise addresses. ``daily_at``: the local hour to say how all is."""

    to: list[PushAddress] = Field(default_factory=list)
    daily_at: TimeOfDay | None = None
    second: Second | None = None


class Heartbeat(_Section):
    """An address of the keeper's own, called as long as all is sound."""

    url: SecretHttpAddress
    every_s: Annotated[float, number_between(1, 86_400, " (seconds)")] = 300.0
    method: HttpMethod = "GET"


class Quiet(_Section):
    """Local hours in which only what cannot wait is said; may span midnight."""

    start: TimeOfDay = Field(alias="from")
    end: TimeOfDay = Field(alias="to")

    @model_validator(mode="after")
    def _together(self) -> Self:
        if self.start == self.end:
            refuse("is the same time as quiet.from; leave the section out to have no quiet hours", "to")
        return self


class Lot(_Section):
    """What is known of a lot: its price, and the water it likes (deg C, g/L) where not that of ``alerts``."""

    cold_c: Temperature | None = None
    warm_c: Temperature | None = None
    salt_low: Salinity | None = None
    salt_high: Salinity | None = None
    price_per_kg: Annotated[float, number_between(0.01, 1e9)] | None = None


_ANY_LOT = Lot()


class Alerts(_Section):
    """When to speak up; its bands (deg C, g/L) serve every lot without one of its own. Times in minutes."""

    cold_c: Temperature = 20.0
    warm_c: Temperature = 31.0
    salt_low: Salinity = 15.0
    salt_high: Salinity = 35.0
    dark_lux: Annotated[float, number_between(0, 100_000, " (lux)")] = 1000.0
    water_min: Minutes = 20.0
    ready_soon_min: Minutes = 30.0
    closing_min: Minutes = 60.0
    silent_min: Annotated[float, number_between(1, 1440, " (minutes)")] = 10.0
    broker_min: Minutes = 5.0
    series_min: Minutes = 60.0
    urgency: dict[AlertName, AlertUrgency] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _together(self) -> Self:
        if not self.cold_c < self.warm_c:
            refuse(f"({self.cold_c:g} C) must be below warm_c ({self.warm_c:g} C)", "cold_c")
        if not self.salt_low < self.salt_high:
            refuse(f"({self.salt_low:g} g/L) must be below salt_high ({self.salt_high:g} g/L)", "salt_low")
        return self


class Window(_Section):
    """What the harvest window means to this keeper; shares from 0 to 1."""

    opens_share: Annotated[float, number_between(0.05, 0.99)] = 0.9
    closes_instar2: Annotated[float, number_between(0.01, 0.99)] = 0.3
    closes_energy: Annotated[float, number_between(0.01, 0.99)] = 0.9
    smallest_mouths: Switch = False


class Web(_Section):
    """The page. ``passphrase`` is a hash, as ``hatchmon passphrase`` makes it; ``address`` is where the page
    is found from outside, also behind a proxy."""

    enabled: Switch = True
    host: OwnAddress = "127.0.0.1"
    port: Annotated[int, whole_between(1, 65_535)] = 8425
    address: PageAddress | None = None
    passphrase: PassphraseHash | None = None
    secret: SessionSecret | None = None
    calendar: CalendarSecret | None = None
    open_metrics: Switch = False

    @property
    def https(self) -> bool:
        """Whether browsers reach the page through a proxy that speaks https."""
        return self.address is not None and self.address.startswith("https://")

    def link(self, path: str) -> str | None:
        """The page's own address of ``path``, or None where nobody has said what the page's address is."""
        return None if self.address is None else self.address.rstrip("/") + path

    @model_validator(mode="after")
    def _together(self) -> Self:
        if not self.enabled:
            return self
        reached = ""
        if not ipaddress.ip_address(self.host).is_loopback:
            reached = f"web.host is {quoted(self.host)}, which others can reach"
        elif self.address is not None and not _is_here(self.address):
            reached = "web.address is one that others can reach"
        for key, value in (("passphrase", self.passphrase), ("secret", self.secret)):
            if reached and value is None:
                refuse(f"is missing, but {reached}; run: hatchmon passphrase - and copy what it prints", key)
        return self


def _is_here(address: str) -> bool:
    """Whether an address names this machine alone."""
    name = urlsplit(address).hostname or ""
    try:
        return name == "localhost" or ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


class Rehearsal(_Section):
    """A faster clock for the whole service: at ``real_start`` it shows ``shown_start`` (both UTC)."""

    real_start: Moment
    shown_start: Moment
    speed: Annotated[float, number_between(0.001, 100_000)]


class Settings(BaseSettings):
    """Everything the keeper can set, checked."""

    # Case-sensitive, since TOML is: "Site" would otherwise pass at the top but not in a section.
    model_config = SettingsConfigDict(
        frozen=True, extra="forbid", hide_input_in_errors=True, case_sensitive=True
    )

    site: SiteName = "home"
    unit: DisplayUnit = "C"
    time_zone: ZoneName | None = None
    default_topics: Switch = True
    share: Share | None = None
    store: Store = Field(default_factory=Store)
    backup: Backup = Field(default_factory=Backup)
    broker: Broker = Field(default_factory=Broker)
    probes: list[Probe] = Field(default_factory=list)
    onewire: OneWire = Field(default_factory=OneWire)
    requests: Requests = Field(default_factory=Requests)
    clock: Clock = Field(default_factory=Clock)
    series: Series | None = None
    fleet: Fleet | None = None
    push: Push = Field(default_factory=Push)
    heartbeat: Heartbeat | None = None
    quiet: Quiet | None = None
    alerts: Alerts = Field(default_factory=Alerts)
    lots: dict[NotEmpty, Lot] = Field(default_factory=dict)
    window: Window = Field(default_factory=Window)
    cones: dict[ConeName, Cone] = Field(default_factory=dict)
    supply: Supply = Field(default_factory=Supply)
    web: Web = Field(default_factory=Web)
    rehearsal: Rehearsal | None = None

    def looks_after(self, cone: str) -> bool:
        """Whether a cone is ours: any, unless several hatchmons share them."""
        return self.share is None or cone in self.share.names

    @property
    def own_topics(self) -> str:
        """What the topics about this process itself, and not about a cone, begin with."""
        whole = f"hatchmon/{self.site}"
        return whole if self.share is None else f"{whole}/shares/{self.share.name}"

    @property
    def own_name(self) -> str:
        """What tells this process from every other; no site or share has a dot in its name."""
        return self.site if self.share is None else f"{self.site}.{self.share.name}"

    @property
    def zone(self) -> tzinfo:
        """The time zone to show times in, with its daylight-saving rules."""
        return machine_zone() if self.time_zone is None else zoneinfo.ZoneInfo(self.time_zone)

    def onewire_topic(self, probe: OneWireProbe) -> str:
        """Where ``hatchmon onewire`` publishes what a probe measures."""
        return f"onewire/{self.site}/{probe.cone}/{probe.quantity}"

    @property
    def heard_probes(self) -> list[Probe]:
        """Every probe with a topic of its own: those mapped and those of ``onewire``."""
        own = [
            Probe(
                cone=probe.cone,
                quantity=probe.quantity,
                topic=self.onewire_topic(probe),
                value_pointer="/temp_c",
                time_pointer="/time",
            )
            for probe in self.onewire.probes
        ]
        return [*self.probes, *own]

    def band_c(self, lot: str) -> tuple[float, float]:
        """The water a lot likes, from and to deg C."""
        own = self.lots.get(lot, _ANY_LOT)
        cold_c = self.alerts.cold_c if own.cold_c is None else own.cold_c
        return cold_c, self.alerts.warm_c if own.warm_c is None else own.warm_c

    def band_g_l(self, lot: str) -> tuple[float, float]:
        """The salinity a lot likes, from and to g/L."""
        own = self.lots.get(lot, _ANY_LOT)
        low = self.alerts.salt_low if own.salt_low is None else own.salt_low
        return low, self.alerts.salt_high if own.salt_high is None else own.salt_high

    @model_validator(mode="after")
    def _together(self) -> Self:
        for name, lot in self.lots.items():
            low, high = self.band_g_l(name)
            if low >= high:
                refuse(f"({low:g} g/L) must be below salt_high ({high:g} g/L)", "lots", name, "salt_low")
            cold_c, warm_c = self.band_c(name)
            if cold_c < warm_c:
                continue
            if lot.cold_c is None:
                refuse(f"({warm_c:g} C) must be above alerts.cold_c ({cold_c:g} C)", "lots", name, "warm_c")
            other = "alerts.warm_c" if lot.warm_c is None else "warm_c"
            refuse(f"({cold_c:g} C) must be below {other} ({warm_c:g} C)", "lots", name, "cold_c")
        seen: dict[tuple[str, str], int] = {}
        onewire = {self.onewire_topic(probe) for probe in self.onewire.probes}
        for index, probe in enumerate(self.probes):
            if probe.topic in onewire:
                refuse(
                    f"{quoted(probe.topic)} is already heard for onewire.probes; leave this entry out",
                    "probes",
                    index,
                    "topic",
                )
            first = seen.setdefault((probe.topic, probe.value_pointer or ""), index)
            if first != index:
                where = f" with value_pointer {quoted(probe.value_pointer)}" if probe.value_pointer else ""
                refuse(
                    f"{quoted(probe.topic)}{where} is already read by probes[{first}]"
                    f" (cone {quoted(self.probes[first].cone)}); one value serves one probe",
                    "probes",
                    index,
                    "topic",
                )
        for key in self._elsewhere():
            refuse("is not one of the cones of share.cones; add it there, or leave it to its own share", *key)
        # Frozen, but not yet handed out.
        if self.broker.client_id is None:
            named = self.broker.model_copy(update={"client_id": f"hatchmon-{self.own_name}"})
            object.__setattr__(self, "broker", named)
        if self.share is not None and "path" not in self.store.model_fields_set:
            own = self.store.path.parent / self.share.name / self.store.path.name
            object.__setattr__(self, "store", self.store.model_copy(update={"path": own}))
        return self

    def _elsewhere(self) -> Iterator[tuple[str | int, ...]]:
        """Where a cone is named that is not ours."""
        for name in self.cones:
            if not self.looks_after(name):
                yield "cones", name
        for index, probe in enumerate(self.probes):
            if not self.looks_after(probe.cone):
                yield "probes", index, "cone"
        for index, own in enumerate(self.onewire.probes):
            if not self.looks_after(own.cone):
                yield "onewire", "probes", index, "cone"

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """What is passed in alone: ``load_settings`` reads the rest, to be able to say what came whence."""
        return (init_settings,)
