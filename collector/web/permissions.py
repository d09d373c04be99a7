"""Which role every route asks for. What is not in this table is closed to everybody who has to sign in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from re import Pattern

from starlette.routing import compile_path

from collector.access.roles import Role


class Open(StrEnum):
    """What asks for no role."""

    ANYBODY = "anybody"
    METRICS = "metrics"


Need = Role | Open

_VIEWER = """
    GET / · /fragment · /alerts · /alerts/fragment · /tags · /tags/fragment · /events
    GET /loops/{loop} · /loops/{loop}/fragment · /loops/{loop}/trend · /loops/{loop}/trend.csv · /loops/{loop}/lines
    GET /loops/{loop}/totals · /loops/{loop}/totals.csv · /loops/{loop}/check · /totals · /totals.csv
    GET /uptime · /uptime.csv · /causes · /causes/{cause} · /verify · /verify/{key} · /survey · /api/v1/survey
    GET /records · /records/print.css · /records/{number}.pdf · /records/{number}
    GET /alerts/performance · /deliveries · /api/v1/alerts/performance · /api/v1/alerts/holds · /api/v1/deliveries
    GET /fleet · /api/v1/fleet
    GET /plan · /loops/{loop}/plan · /sources · /loops/{loop}/calibration
    GET /api/v1/plans · /api/v1/loops/{loop}/plan · /api/v1/sources · /api/v1/loops/{loop}/calibration
    GET /account · /api/v1/access/me · /api/openapi.json · /static/{name}
    HEAD /api/openapi.json
    POST /logout · /account/password · /account/others
    GET /api/v1/site · /api/v1/loops · /api/v1/loops/{loop} · /api/v1/loops/{loop}/trend · /api/v1/loops/{loop}/findings
    GET /api/v1/loops/{loop}/declared · /api/v1/loops/{loop}/lines · /api/v1/loops/{loop}/totals · /api/v1/loops/{loop}/check
    GET /api/v1/tags · /api/v1/alerts · /api/v1/alerts/{alert} · /api/v1/causes · /api/v1/causes/{cause} · /api/v1/endpoints
    GET /api/v1/events · /api/v1/uptime · /api/v1/totals · /api/v1/exports/{key}
    GET /api/v1/records · /api/v1/records/verify · /api/v1/records/{number}
"""
_OPERATOR = """
    POST /alerts/{alert}/{action} · /uptime · /loops/{loop}/check · /verify · /verify/{key}
    POST /api/v1/alerts/{alert}/acknowledge · /api/v1/alerts/{alert}/shelve · /api/v1/alerts/{alert}/unshelve
    POST /deliveries/{name}/test · /deliveries/messages/{number}/resend
    POST /api/v1/deliveries/{name}/test · /api/v1/deliveries/messages/{number}/resend
    POST /api/v1/uptime/corrections · /api/v1/exports · /api/v1/exports/{key}/answers
    POST /api/v1/loops/{loop}/check · /api/v1/loops/{loop}/check/finish · /api/v1/loop-checks
"""
_ENGINEER = """
    GET /init · /init/{key} · /init/{key}/site.yaml · /api/v1/site-file/questions
    GET /api/v1/site-file/look
    POST /init · /init/{key} · /api/v1/site-file · /api/v1/site-file/look · /api/v1/site-file/look/stop
    POST /loops/{loop}/calibration · /api/v1/loops/{loop}/calibration · /api/v1/loops/{loop}/calibration/record
    POST /alerts/{alert}/out-of-service · /alerts/{alert}/restore · /alerts/{alert}/accept · /alerts/holds/{number}/end
    POST /api/v1/alerts/{alert}/out-of-service · /api/v1/alerts/{alert}/restore · /api/v1/alerts/{alert}/accept
    POST /api/v1/alerts/holds/{number}/end
    POST /records · /records/restate · /totals/close · /totals/restate
    POST /api/v1/records/chain-report · /api/v1/records/{number}/restate
    POST /api/v1/loops/{loop}/totals/close · /api/v1/accounts/{number}/restate
    POST /survey · /api/v1/survey · /api/v1/survey/stop
    POST /api/v1/endpoints/{name}/lend
    DELETE /api/v1/endpoints/{name}/lend
"""
_ADMIN = """
    GET /accounts · /audit · /api/v1/access/accounts · /api/v1/access/tokens · /api/v1/access/audit · /api/v1/access/audit/verify
    POST /accounts · /accounts/{name}/{action} · /accounts/tokens/{number}/revoke · /accounts/tokens
    POST /api/v1/access/accounts · /api/v1/access/accounts/{name}/role · /api/v1/access/accounts/{name}/password
    POST /api/v1/access/accounts/{name}/disable · /api/v1/access/accounts/{name}/enable
    POST /api/v1/access/tokens · /api/v1/access/tokens/{number}/revoke
"""
_METRICS = "GET /metrics · /api/v1/healthz · /api/v1/readyz"
_ANYBODY = """
    GET /login
    POST /login
"""
PUBLIC_FILES = frozenset({"/static/tallywire.css", "/static/mark.svg"})
"""What the page to sign in loads."""


def _rows(text: str, need: Need) -> Iterator[tuple[tuple[str, str], Need]]:
    for line in filter(None, (line.strip() for line in text.splitlines())):
        method, _, paths = line.partition(" ")
        for path in paths.split(" · "):
            yield (method, path), need


NEEDS: dict[tuple[str, str], Need] = {
    key: need
    for text, needed in (
        (_VIEWER, Role.VIEWER), (_OPERATOR, Role.OPERATOR), (_ENGINEER, Role.ENGINEER), (_ADMIN, Role.ADMIN),
        (_METRICS, Open.METRICS), (_ANYBODY, Open.ANYBODY),
    )
    for key, need in _rows(text, needed)
}  # fmt: skip
"""Role by method and path of the route."""

_RANK: dict[Need, int] = {Open.ANYBODY: 0, Open.METRICS: 1} | {role: 2 + role.rank for role in Role}
_PATTERNS: list[tuple[str, str, Pattern[str]]] = [(method, path, compile_path(path)[0]) for method, path in NEEDS]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """What a request needs: the strictest of the routes that its path may mean. `values` are the parts of the path."""

    method: str
    path: str
    need: Need
    values: dict[str, str]


def rule_of(method: str, path: str) -> Rule | None:
    """The rule for a request, None where no route of this method is declared."""
    if method == "GET" and path in PUBLIC_FILES:
        return Rule(method=method, path="/static/{name}", need=Open.ANYBODY, values={})
    found: Rule | None = None
    for known, template, pattern in _PATTERNS:
        match = pattern.match(path) if known == method else None
        if match is None:
            continue
        rule = Rule(method=method, path=template, need=NEEDS[(known, template)], values=match.groupdict())
        if found is None or _RANK[rule.need] > _RANK[found.need]:
            found = rule
    return found


def methods_of(path: str) -> set[str]:
    """The methods that are declared for a path."""
    return {method for method, _, pattern in _PATTERNS if pattern.match(path)}
