"""Every page of the application, as the browser tests and the screenshots visit them."""

from __future__ import annotations

PAGES = {
    "site": "/",
    "loop": "/loops/TB-07",
    "alerts": "/alerts",
    "performance": "/alerts/performance",
    "deliveries": "/deliveries",
    "tags": "/tags",
    "trend": "/loops/TB-07/trend?span=2h",
    "lines": "/loops/TB-07/lines",
    "uptime": "/uptime?span=week",
    "uptime-of-loop": "/uptime?loop=TB-07&span=day",
    "totals": "/totals",
    "totals-of-loop": "/loops/TB-07/totals",
    "fleet": "/fleet",
    "causes": "/causes",
    "cause": "/causes/upper-range",
    "plans": "/plan",
    "plan": "/loops/TB-07/plan?day=2027-01-16",
    "sources": "/sources",
    "init": "/init",
}
"""Addresses by name of the pages that need no record."""

EVERY = {
    **PAGES,
    "records": "/records",
    "record": "/records/1",
    "check": "/loops/TB-07/check",
    "verify": "/verify",
    "survey": "/survey",
    "calibration": "/loops/TB-07/calibration",
}
"""Every page, also those that need the book of records or one that is in it."""

LOCKED = {"login": "/login", "account": "/account", "accounts": "/accounts", "audit": "/audit?verify=true"}
"""Pages that look as they do only where there are accounts."""

ON_THE_WAY = ("/init/{key}", "/verify/{key}")
"""Pages of work on its way, which no fixed address leads to: the tests of that work look at them."""

UNKNOWN = "/loops/TB-99"
"""An address that answers with the page of an error."""

NO_PAGES = ("/fragment", ".csv", ".pdf", ".css", ".yaml", "/static/{name}", "/metrics", "/events")
"""Ends of routes that answer a GET with something that is no page."""
