"""What is on the site: the typed form of the site file.

Every quantity is a float in the unit that its annotation names (`config.quantity`); every model is frozen and refuses
unknown keys. Reading from YAML, with file and line for each problem, is the work of `config.load`.
"""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from config.base import LoopId as LoopId
from config.base import Part as Part
from config.base import SitePath as SitePath
from config.deliveries import Alerting, Delivery
from config.ledger import Ledger
from config.limits import Limits
from config.publish import Publish
from config.quantity import (
    ActivityBq,
    FlowTH,
    FrequencyHz,
    LengthM,
    LoadKgM,
    MassT,
    RateS,
    ResistanceOhm,
    SpeedMS,
    TimeS,
    VoltV,
)
from config.unit_table import YEAR_D
from config.web import Web as Web

SCHEMA = 1
"""Version of the site file."""

# --- endpoints -------------------------------------------------------------------------------------------------------


class Transport(StrEnum):
    """How Modbus reaches the device."""

    TCP = "tcp"
    TLS = "tls"
    RTU = "rtu"
    RTU_OVER_TCP = "rtu-over-tcp"


class ModbusEndpoint(Part):
    """A Modbus device or gateway. `host`/`port` for the network transports, `device`/`baud` for the serial one."""

    protocol: Literal["modbus"]
    transport: Transport = Transport.TCP
    host: str = ""
    port: int | None = Field(default=None, ge=1, le=65535)
    device: str = ""
    baud: int = Field(default=19200, ge=300, le=921600)
    parity: Literal["N", "E", "O"] = "E"
    stop_bits: Literal[1, 2] = 1
    unit: int = Field(default=1, ge=0, le=255)
    period: TimeS = 1.0
    timeout: TimeS = 0.4
    one_client: bool = False
    join_gap: int = Field(default=8, ge=0, le=100)
    max_registers: int = Field(default=125, ge=1, le=125)
    request_gap: TimeS = 0.0
    ca_file: SitePath | None = None
    client_certificate: SitePath | None = None
    client_key: SitePath | None = None


class OpcUaEndpoint(Part):
    """An OPC UA server. `server_certificate` pins it where `security` is not `none`; secrets come by name only."""

    protocol: Literal["opcua"]
    url: str = Field(pattern=r"^opc\.tcp://")
    security: Literal["none", "Basic256Sha256", "Aes128Sha256RsaOaep", "Aes256Sha256RsaPss"] = "none"
    mode: Literal["Sign", "SignAndEncrypt"] = "SignAndEncrypt"
    server_certificate: SitePath | None = None
    client_certificate: SitePath | None = None
    client_key: SitePath | None = None
    application_uri: str = "urn:tallywire:collector"
    user: str = ""
    password_env: str = ""
    password_file: SitePath | None = None
    period: TimeS = 1.0
    timeout: TimeS = 4.0
    one_client: bool = False
    subscribe: bool = False


Endpoint = Annotated[ModbusEndpoint | OpcUaEndpoint, Field(discriminator="protocol")]


# --- tags ------------------------------------------------------------------------------------------------------------


class WireType(StrEnum):
    """How a number lies in Modbus registers."""

    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    INT64 = "int64"
    UINT64 = "uint64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"


class ByteOrder(StrEnum):
    """Order of the bytes of a value in its registers; ABCD is the order of the Modbus standard."""

    ABCD = "ABCD"
    CDAB = "CDAB"
    BADC = "BADC"
    DCBA = "DCBA"


class ModbusTag(Part):
    """One value at one Modbus address. `address` counts from 0 as on the wire. Physical = raw * scale + offset, in
    `measured_in` (empty: the canonical unit of the role)."""

    endpoint: str
    table: Literal["holding", "input", "coil", "discrete"] = "holding"
    address: int = Field(ge=0, le=65535)
    type: WireType = WireType.UINT16
    order: ByteOrder = ByteOrder.ABCD
    unit: int | None = Field(default=None, ge=0, le=255)
    bit: int | None = Field(default=None, ge=0, le=15)
    inverted: bool = False
    scale: float = 1.0
    offset: float = 0.0
    invalid: tuple[float, ...] = ()
    measured_in: str = ""
    period: TimeS | None = None
    independent: bool = False


class OpcUaTag(Part):
    """One value at one OPC UA node, or a part of a property of it (range end, unit id). `values` maps texts to numbers. `node` is
    written as `ns=2;s=flow`, or as `nsu=URI;s=flow`: the index of a namespace may change when a server starts, its URI does not."""

    endpoint: str
    node: str = Field(min_length=3)
    property: Literal["", "EURange.low", "EURange.high", "EngineeringUnits"] = ""
    bit: int | None = Field(default=None, ge=0, le=63)
    inverted: bool = False
    scale: float = 1.0
    offset: float = 0.0
    invalid: tuple[float, ...] = ()
    values: dict[str, float] = Field(default_factory=dict)
    measured_in: str = ""
    period: TimeS | None = None
    independent: bool = False


class RecordedTag(Part):
    """A role that only recorded data carry (a site used for replay needs no addresses).

    `stored` says what the recorder kept: every reading; a value whenever it had moved, standing until the next one; or the
    ends of straight lines. `deadband` [in `measured_in`] is how far the true value may lie from that, `longest` the longest
    time without a stored value: nothing stands longer.
    """

    measured_in: str = ""
    scale: float = 1.0
    offset: float = 0.0
    period: TimeS | None = None
    independent: bool = False
    stored: Literal["all", "step", "line"] = "all"
    deadband: float = Field(default=0.0, ge=0.0, allow_inf_nan=False)
    longest: TimeS | None = None


Tag = ModbusTag | OpcUaTag | RecordedTag


# --- the parts of a loop ---------------------------------------------------------------------------------------------


class FlowRange(Part):
    """Flow at 4 mA and at 20 mA."""

    low: FlowTH = 0.0
    high: FlowTH


class RawSpan(Part):
    """Raw counts of the analogue input at 4 mA and at 20 mA."""

    low: float = 0.0
    high: float = 27648.0


class Totalizer(Part):
    """A totalizer: `resolution` is one digit, `rollover` the value at which it starts again from zero (None: never)."""

    resolution: MassT = 0.1
    rollover: MassT | None = None


class SpeedSource(StrEnum):
    """Where the gauge takes the belt speed from."""

    MEASURED = "measured"
    FIXED = "fixed"


class SealedSource(Part):
    """The source of a gauge as its papers name it, for the inventory and its reminders; the licence decides, not this."""

    identity: str = ""
    activity: ActivityBq = Field(gt=0.0)
    activity_date: date
    shutter_check_due: date | None = None
    leak_test_due: date | None = None


class Gauge(Part):
    """The weigher as it is declared. `load_per_attenuation` is C: kg/m of load per unit of A = ln((n0-b)/(n-b))."""

    range: FlowRange
    nuclide: str = "Cs-137"
    source: SealedSource | None = None
    reference_date: date | None = None
    empty_belt_rate: RateS | None = None
    background: RateS = 0.0
    dead_time: TimeS = 0.0
    damping: TimeS = 10.0
    counts_filtered: bool = True
    load_per_attenuation: LoadKgM | None = None
    belt_width: LengthM | None = None
    belt_length: LengthM | None = None
    speed_source: SpeedSource = SpeedSource.MEASURED
    fixed_speed: SpeedMS | None = None
    speed_sensor_at: Literal["tail", "drive", "return", "unknown"] = "unknown"
    low_cutoff: FlowTH = 0.0
    total: Totalizer = Totalizer()
    loop_powered_by: Literal["gauge", "card", "unknown"] = "unknown"


class Plc(Part):
    """The far end. `filter` is the sum of card and block filters; `load_resistance` that of the whole loop."""

    range: FlowRange
    raw_span: RawSpan = RawSpan()
    filter: TimeS = 0.0
    low_cutoff: FlowTH = 0.0
    clamp_at_zero: bool = False
    total: Totalizer = Totalizer()
    load_resistance: ResistanceOhm = 250.0
    supply_voltage: VoltV = 24.0


class Drive(Part):
    """The belt drive: `speed_at_nominal` is the belt speed at `nominal_frequency`."""

    variable: bool = False
    nominal_frequency: FrequencyHz = 50.0
    speed_at_nominal: SpeedMS | None = None


class Loop(Part):
    """One weigher and everything that carries its signal."""

    title: str = ""
    gauge: Gauge
    plc: Plc
    drive: Drive = Drive()
    tags: dict[str, Tag]
    limits: Limits = Limits()
    settle: TimeS = 60.0


class Report(Part):
    """A report made again and again: a numbered record, written into `folder` in each of `formats`. No `loops`: all of them."""

    what: Literal["chain", "uptime"]
    loops: tuple[LoopId, ...] = ()
    every: Literal["shift", "day", "month"]
    formats: tuple[Literal["html", "pdf"], ...] = ("html",)
    folder: SitePath


class History(Part):
    """How long each resolution is kept (None is for ever), and where: a PostgreSQL database that several collectors share by
    the address in a variable or a file, with sealed days in `archive`; without one, in `folder`, the data folder of this machine."""

    raw: TimeS | None = 2 * YEAR_D * 86400.0
    minute: TimeS | None = 35 * 86400.0
    hour: TimeS | None = None
    folder: SitePath | None = None
    database_env: str = ""
    database_file: SitePath | None = None
    archive: SitePath | None = None

    @property
    def shared(self) -> bool:
        """Whether several collectors keep one history."""
        return bool(self.database_env) or self.database_file is not None


class Site(Part):
    """One plant. The file names its `ledger`; here stands what that file holds."""

    schema_: Literal[1] = Field(alias="schema")
    site: LoopId
    title: str = ""
    time_zone: str = "UTC"
    shifts: tuple[str, ...] = ("06:00", "14:00", "22:00")
    endpoints: dict[str, Endpoint] = Field(default_factory=dict)
    loops: dict[LoopId, Loop] = Field(min_length=1)
    web: Web = Web()
    deliveries: dict[LoopId, Delivery] = Field(default_factory=dict)
    alerting: Alerting = Alerting()
    reports: dict[LoopId, Report] = Field(default_factory=dict)
    history: History = History()
    publish: Publish = Publish()
    close_after: TimeS = 2.0
    block: TimeS = 10.0
    ledger: Ledger = Ledger()
