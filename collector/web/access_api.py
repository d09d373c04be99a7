"""Accounts, tokens and the audit log over REST: what their pages show and take. Tokens never reach them, sessions of admins do."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Path, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool

from collector.access.accounts import Account
from collector.access.audit import Entry
from collector.access.desk import Access
from collector.access.roles import Role, Scope
from collector.access.tokens import Token
from collector.web import who
from collector.web.answers import time_of
from collector.web.forms import unprocessable
from collector.web.record_answers import Sha256
from collector.web.schemas import Answer, Time
from collector.web.times import From, To, stretch

LONG = 400 * 86400
Name = Annotated[str, Path(description="name of the account", max_length=80, examples=["sandhu"])]
Number = Annotated[int, Path(ge=1, le=2**62, examples=[3])]


class MeOut(Answer):
    """Who asks, as the service sees it. `name` is empty while there is no account."""

    name: str = Field(examples=["sandhu"])
    role: Role | None = Field(examples=["operator"])
    kind: str = Field(description="account, token or this machine", examples=["account"])


class AccountOut(Answer):
    """An account; never its password."""

    name: str = Field(examples=["sandhu"])
    role: Role = Field(examples=["operator"])
    made: Time
    changed: Time
    disabled: bool = Field(examples=[False])


class TokenOut(Answer):
    """A token; `secret` only in the answer that made it."""

    number: int = Field(examples=[3])
    name: str = Field(examples=["scraper"])
    scopes: list[Scope] = Field(examples=[["metrics"]])
    made: Time
    made_by: str = Field(examples=["ortega"])
    expires: Time
    revoked: Time | None = Field(examples=[None])
    secret: str | None = Field(default=None, examples=[None])


class EntryOut(Answer):
    """An entry of the audit log: who did what, when, from where, what was before and after."""

    number: int = Field(examples=[812])
    time: Time
    who: str = Field(examples=["sandhu"])
    kind: str = Field(examples=["account"])
    address: str = Field(examples=["192.0.2.5"])
    what: str = Field(examples=["POST /alerts/{alert}/{action}"])
    subject: str = Field(examples=["TB-07-scaling-block-1 acknowledge"])
    status: int | None = Field(examples=[303])
    old: dict[str, Any] = Field(examples=[{"state": "unacknowledged"}])
    new: dict[str, Any] = Field(examples=[{"state": "acknowledged"}])
    sha256: Sha256


class AuditOut(Answer):
    """Whether the chain of the audit log is unbroken; else the first number at which it breaks, and why."""

    unbroken: bool = Field(examples=[True])
    entries: int = Field(examples=[812])
    newest: int | None = Field(examples=[812])
    sha256: Sha256 | None
    breaks_at: int | None = Field(examples=[None])
    reason: str = Field(examples=[""])


class Sent(BaseModel):
    """Base of what is sent: unknown fields are refused."""

    model_config = ConfigDict(extra="forbid")


class AccountIn(Sent):
    """A new account."""

    name: str = Field(max_length=80, examples=["sandhu"])
    role: Role = Field(examples=["operator"])
    password: str = Field(max_length=400, examples=["some words in a row"])


class RoleIn(Sent):
    """Another role."""

    role: Role = Field(examples=["engineer"])


class PasswordIn(Sent):
    """Another password."""

    password: str = Field(max_length=400, examples=["some words in a row"])


class TokenIn(Sent):
    """A new token."""

    name: str = Field(max_length=80, examples=["scraper"])
    scopes: list[Scope] = Field(min_length=1, max_length=4, examples=[["metrics"]])
    days: float = Field(gt=0.0, le=400.0, description="until it ends [d]", examples=[90.0])


def router(access: Access | None) -> APIRouter:
    """The routes."""
    routes = APIRouter(prefix="/api/v1/access", tags=["access"])

    def books() -> Access:
        if access is None:
            raise HTTPException(503, "there are no accounts: the service keeps no history")
        return access

    @routes.get("/me", summary="Who asks")
    async def me() -> MeOut:
        found = who.current()
        return MeOut(name=found.name, role=found.role, kind=found.kind)

    @routes.get("/accounts", summary="Every account, by name")
    async def accounts() -> list[AccountOut]:
        return [_account(item) for item in await run_in_threadpool(books().accounts.all)]

    @routes.post("/accounts", status_code=201, summary="Add an account; the first one must be an admin")
    async def add(body: AccountIn) -> AccountOut:
        with unprocessable():
            made = await run_in_threadpool(lambda: books().accounts.add(body.name, body.role, body.password, by=who.current()))
        who.entered()
        return _account(made)

    @routes.post("/accounts/{name}/role", summary="Give an account another role")
    async def role(name: Name, body: RoleIn) -> AccountOut:
        with unprocessable():
            made = await run_in_threadpool(lambda: books().accounts.set_role(name, body.role, by=who.current()))
        who.entered()
        return _account(made)

    @routes.post("/accounts/{name}/password", summary="Give an account another password; its sessions end")
    async def password(name: Name, body: PasswordIn) -> AccountOut:
        with unprocessable():
            made = await run_in_threadpool(lambda: books().accounts.set_password(name, body.password, by=who.current()))
        who.entered()
        return _account(made)

    @routes.post("/accounts/{name}/disable", summary="Disable an account; its sessions end")
    async def disable(name: Name) -> AccountOut:
        with unprocessable():
            made = await run_in_threadpool(lambda: books().accounts.set_disabled(name, True, by=who.current()))
        who.entered()
        return _account(made)

    @routes.post("/accounts/{name}/enable", summary="Enable an account again")
    async def enable(name: Name) -> AccountOut:
        with unprocessable():
            made = await run_in_threadpool(lambda: books().accounts.set_disabled(name, False, by=who.current()))
        who.entered()
        return _account(made)

    @routes.get("/tokens", summary="Every token, newest first, without its secret")
    async def tokens() -> list[TokenOut]:
        return [_token(item) for item in await run_in_threadpool(books().tokens.all)]

    @routes.post("/tokens", status_code=201, summary="Make a token; its secret is told this once")
    async def add_token(body: TokenIn) -> TokenOut:
        with unprocessable():
            made, secret = await run_in_threadpool(
                lambda: books().tokens.add(body.name, body.scopes, body.days, by=who.current())
            )
        who.entered()
        return _token(made, secret)

    @routes.post("/tokens/{number}/revoke", summary="End a token now")
    async def revoke(number: Number) -> TokenOut:
        with unprocessable():
            made = await run_in_threadpool(lambda: books().tokens.revoke(number, by=who.current()))
        who.entered()
        return _token(made)

    @routes.get("/audit", summary="Entries of the audit log, newest first; of a time, of somebody, below a number")
    async def audit(
        begin: From = None,
        to: To = None,
        name: Annotated[str, Query(alias="who", max_length=80)] = "",
        before: Annotated[int | None, Query(ge=1, le=2**62)] = None,
        most: Annotated[int, Query(ge=1, le=1000)] = 100,
    ) -> list[EntryOut]:
        open_ = books()
        first, last = (None, None) if begin is None and to is None else stretch(begin, to, open_.clock.now(), LONG)
        found = await run_in_threadpool(lambda: open_.log.newest(begin=first, end=last, who=name, before=before, most=most))
        return [_entry(item) for item in found]

    @routes.get("/audit/verify", summary="Whether the chain of the audit log is unbroken, and where it breaks")
    async def verify(number: Annotated[int | None, Query(ge=1, le=2**62)] = None, sha256: str | None = None) -> AuditOut:
        """With number and hash of an entry that was sent away, also whether that one is still there."""
        kept = None
        if number is not None:
            signs = (sha256 or "").strip().lower()
            if not 8 <= len(signs) <= 64 or set(signs) - set("0123456789abcdef"):
                raise HTTPException(422, "sha256: at least the first 8 characters of the hash that belongs to the number")
            kept = (number, signs)
        walked = await run_in_threadpool(lambda: books().log.walk(kept=kept))
        broken, head = walked.broken, walked.head
        return AuditOut(
            unbroken=broken is None, entries=walked.count, newest=None if head is None else head.number,
            sha256=None if head is None else head.sha256, breaks_at=None if broken is None else broken.number,
            reason="" if broken is None else broken.reason,
        )  # fmt: skip

    return routes


def _account(item: Account) -> AccountOut:
    return AccountOut(
        name=item.name, role=item.role, made=time_of(item.made), changed=time_of(item.changed), disabled=item.disabled
    )


def _token(item: Token, secret: str | None = None) -> TokenOut:
    return TokenOut(
        number=item.id, name=item.name, scopes=[scope for scope in Scope if scope in item.scopes], made=time_of(item.made),
        made_by=item.made_by, expires=time_of(item.expires), revoked=None if item.revoked is None else time_of(item.revoked), secret=secret,
    )  # fmt: skip


def _entry(item: Entry) -> EntryOut:
    act = item.action
    return EntryOut(
        number=item.number, time=time_of(act.time), who=act.who, kind=act.kind, address=act.address, what=act.what, subject=act.subject,
        status=act.status, old=dict(act.old), new=dict(act.new), sha256=item.sha256,
    )  # fmt: skip
