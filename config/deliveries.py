"""Ways on which alerts leave, who is told what and when, and how alerts are kept few."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from config.base import LoopId, Part, SitePath
from config.quantity import MassT, TimeS

PriorityName = Literal["high", "medium", "low"]
RoleName = Literal["operations", "maintenance", "radiation-safety", "accounting"]
DayName = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class Tell(Part):
    """Who stands behind a delivery and when: what is empty says nothing, so that all is told at all times.

    `shifts` (their beginnings) and `days` are when somebody is on duty; what happens outside is handed over when duty begins.
    In the `quiet` hours (from, to) only high priority passes. `digest` is the local time of a daily summary, which then carries
    what has low priority. With `after` the delivery gets only what nobody has acknowledged for so long.
    """

    roles: tuple[RoleName, ...] = ()
    priorities: tuple[PriorityName, ...] = ()
    loops: tuple[LoopId, ...] = ()
    shifts: tuple[str, ...] = ()
    days: tuple[DayName, ...] = ()
    quiet: tuple[str, ...] = ()
    digest: str = ""
    after: TimeS | None = None


class MailDelivery(Part):
    """Alerts by SMTP. The password comes from the environment variable or the file named here, never from here; recipients too,
    where they are not to be read in the site file (separated by commas or lines)."""

    kind: Literal["mail"]
    server: str
    port: int = Field(default=587, ge=1, le=65535)
    start_tls: bool = True
    ca_file: SitePath | None = None
    sender: str
    to: tuple[str, ...] = ()
    to_env: str = ""
    to_file: SitePath | None = None
    user: str = ""
    password_env: str = ""
    password_file: SitePath | None = None
    tell: Tell = Tell()


class ChatDelivery(Part):
    """Alerts to a chat or any other service that Apprise knows. The address is a secret: from the environment or a file."""

    kind: Literal["chat"]
    url_env: str = ""
    url_file: SitePath | None = None
    tell: Tell = Tell()


class WebhookDelivery(Part):
    """Alerts as CloudEvents to an HTTP address. The address is a secret: it comes from the environment or a file, as does the
    secret that signs each message."""

    kind: Literal["webhook"]
    url_env: str = ""
    url_file: SitePath | None = None
    secret_env: str = ""
    secret_file: SitePath | None = None
    tell: Tell = Tell()


Delivery = Annotated[MailDelivery | ChatDelivery | WebhookDelivery, Field(discriminator="kind")]


class Alerting(Part):
    """How alerts are kept few and timely.

    An alert whose condition comes back within `reopen_within` is opened again. What nobody acknowledges is told once more after
    `remind_after` (high priority), where no delivery has an `after`. `tolerable` is the mass that may be booked wrongly before
    somebody must have acted. `operators` is how many people share the alerts, for the rates. `page` begins the links in messages.
    """

    reopen_within: TimeS = 1800.0
    remind_after: TimeS = 1800.0
    tolerable: MassT = 20.0
    operators: int = Field(default=1, ge=1, le=100)
    page: str = ""
