"""A first site file on a page, in steps that survive a reload: the questions of `tallywire init`, checked by the same checks."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Path, Request
from starlette.responses import RedirectResponse, Response

from collector.commissioning.addresses import ADDRESS, shown
from collector.commissioning.coverage import summary
from collector.commissioning.drafts import Draft, Drafts, checked
from collector.commissioning.init_desk import InitDesk
from collector.commissioning.questions import DEVICE, LOOP, PROTOCOL
from collector.commissioning.registers import RATE
from collector.commissioning.site_draft import SIDES, LoopAnswers, left_out, usual_device
from collector.commissioning.tag_words import HINTS
from collector.web import init_answers as answers
from collector.web import init_look_answers as looks
from collector.web import init_steps
from collector.web.forms import own_form, unprocessable
from collector.web.init_seen import fields_of, looked_at, ranges_of
from collector.web.init_steps import STEPS
from collector.web.renders import Renders
from collector.web.security import Guard
from config.errors import TallywireError
from config.roles import ROLES

Key = Annotated[str, Path(description="key of the draft", examples=["u3T0kq9VbGk2Zw1x"])]


LOOKS = {"look-gauge": "gauge", "look-PLC": "PLC", "read": ""}
"""What a button looks at: the server of a side, or every tag once."""


class InitPages:
    """Asks step by step; every answer that holds is kept at once."""

    def __init__(self, pages: Renders, drafts: Drafts, guard: Guard, desk: InitDesk) -> None:
        self._pages, self.drafts, self._guard, self.desk = pages, drafts, guard, desk

    def start(self) -> Response:
        """The form that begins one, and those that were begun."""
        return self._pages.render("init.html", drafts=self.drafts.all())

    async def begin(self, request: Request) -> Response:
        """Begin a draft; to its first step."""
        await own_form(request, self._guard)
        return RedirectResponse(f"/init/{self.drafts.begin().key}", status_code=303)

    def step(
        self,
        key: str,
        step: str,
        number: int,
        *,
        said: Mapping[str, str] | None = None,
        wrong: Mapping[str, TallywireError] | None = None,
    ) -> Response:
        """A step as it was answered; `said` and `wrong` are what was typed last and what of it cannot be."""
        draft = self.known(key)
        step, number = init_steps.possible(draft.answers, step, number)
        found = draft.answers
        loop = found.loops[number] if number < len(found.loops) else LoopAnswers()
        text, loaded, problems = checked(found) if step == "result" else ("", None, ())
        values = {**init_steps.said_before(found, loop, step), **(said or {})}
        beside = self._beside(draft, loop, values) if step == "tags" else {}
        return self._pages.render(
            "init_step.html", 422 if wrong else 200, draft=draft, step=step, number=number, loop_answers=loop, said=values,
            wrong=wrong or {}, asks=init_steps.asks_of(step, loop), steps=STEPS, open_steps=init_steps.reached(found), device=DEVICE, protocol=PROTOCOL, address=ADDRESS, shown=shown,
            loop_ask=LOOP, hints=HINTS, sides=SIDES, roles=ROLES, usual_device=lambda whose: usual_device(found, whose), text=text,
            loaded=loaded, problems=[(item, init_steps.step_of(item.path, found)) for item in problems], lost=left_out(found) if step == "result" else [], summary="" if loaded is None else summary(loaded),
            **beside,
        )  # fmt: skip

    def _beside(self, draft: Draft, loop: LoopAnswers, values: Mapping[str, str]) -> dict[str, object]:
        """What a page of tags shows beside its fields: the look that runs, and what was seen."""
        found, seen, now = draft.answers, self.desk.seen(draft.key, loop.name), self.desk.now
        fields = fields_of(found, values, seen)
        return {
            "look": now if (now.key, now.loop) == (draft.key, loop.name) else None,
            "fields": fields, "ranges": ranges_of(found, loop, values, fields, seen), "read": seen.read, "rate": RATE,
            "servers": [name for name, item in found.endpoints.items() if item["protocol"] == "opcua"],
            "protocols": {item["protocol"] for item in found.endpoints.values()},
            "looked": {whose: looked for whose in SIDES if (looked := looked_at(found, values, seen, whose)) is not None},
        }  # fmt: skip

    async def take(self, key: str, request: Request) -> Response:
        """Take a step by a form; on to the next, or the same with what is wrong."""
        form = await own_form(request, self._guard)
        draft = self.known(key)
        step, number = init_steps.possible(draft.answers, form.get("step", ""), init_steps.number_of(form.get("loop", "0")))
        wrong: dict[str, TallywireError] = {}
        if step == "tags" and form.get("do") == "stop":
            await self.desk.stop()
            return RedirectResponse(f"/init/{key}?step=tags&loop={number}", status_code=303)
        if step == "tags" and form.get("do") in LOOKS:
            return await self._look(draft, number, form)
        onward = init_steps.TAKE[step](draft.answers, number, form, wrong)
        try:
            self.drafts.keep(draft)
        except TallywireError as problem:
            wrong["disk"] = problem
        if wrong:
            return self.step(key, step, number, said=form, wrong=wrong)
        if step == "tags":
            self.desk.forget(key, draft.answers.loops[number].name)
        return RedirectResponse(f"/init/{key}?{onward}", status_code=303)

    async def _look(self, draft: Draft, number: int, form: Mapping[str, str]) -> Response:
        """Keep what is typed, and begin to look at a device."""
        wrong: dict[str, TallywireError] = {}
        init_steps.tags_so_far(draft.answers, number, form, wrong)
        if not wrong:
            try:
                self.drafts.keep(draft)
                self.desk.begin(draft.key, draft.answers, draft.answers.loops[number], LOOKS[form["do"]])
            except TallywireError as problem:
                wrong["look"] = problem
        if wrong:
            return self.step(draft.key, "tags", number, said=form, wrong=wrong)
        await asyncio.sleep(0)
        return RedirectResponse(f"/init/{draft.key}?step=tags&loop={number}", status_code=303)

    def file(self, key: str) -> Response:
        """The site file to download."""
        text, _, _ = checked(self.known(key).answers)
        headers = {"Content-Disposition": 'attachment; filename="site.yaml"'}
        return Response(text, media_type="application/yaml; charset=utf-8", headers=headers)

    def known(self, key: str) -> Draft:
        """A draft; 404 for a key that none has."""
        draft = self.drafts.find(key)
        if draft is None:
            raise HTTPException(404, "this draft is not kept any more; begin a new one")
        return draft


def router(pages: InitPages) -> APIRouter:
    """The pages and REST."""
    routes = APIRouter()
    rest: dict[str, Any] = {"tags": ["commissioning"]}

    @routes.get("/init", include_in_schema=False)
    async def start() -> Response:
        return pages.start()

    @routes.post("/init", include_in_schema=False)
    async def begin(request: Request) -> Response:
        return await pages.begin(request)

    @routes.get("/init/{key}/site.yaml", include_in_schema=False)
    async def file(key: Key) -> Response:
        return pages.file(key)

    @routes.get("/init/{key}", include_in_schema=False)
    async def step(key: Key, step: str = "site", loop: str = "0") -> Response:
        return pages.step(key, step, init_steps.number_of(loop))

    @routes.post("/init/{key}", include_in_schema=False)
    async def take(key: Key, request: Request) -> Response:
        return await pages.take(key, request)

    @routes.get("/api/v1/site-file/questions", summary="The questions of a first site file", **rest)
    async def asked() -> answers.QuestionsOut:
        """By step, with examples and what an empty answer means; answer them in one go to /api/v1/site-file."""
        return answers.questions_out()

    @routes.post("/api/v1/site-file", summary="The commented site file of answers, validated; nothing is kept", **rest)
    async def made(body: answers.SiteFileIn) -> answers.SiteFileOut:
        """Every answer is checked as on the page; the file is validated as `tallywire validate` does."""
        with unprocessable():
            return answers.made(body)

    @routes.get(
        "/api/v1/site-file/look", summary="The look at a device for a site file: how far it is, and what it saw", **rest
    )
    async def looking() -> looks.LookOut:
        """The one that runs or ran last, of a page or a program; step `none` where there was none since the start."""
        return looks.look_out(pages.desk)

    @routes.post(
        "/api/v1/site-file/look",
        status_code=202,
        summary="Look at the devices of a site file that is being answered, read only",
        **rest,
    )
    async def begin_look(body: looks.LookIn) -> looks.LookOut:
        """Walks an OPC UA server and proposes its nodes, or reads every tag once. At most 2 requests a second to a device, one look at a time."""
        with unprocessable():
            looks.begin(pages.desk, body)
        return looks.look_out(pages.desk)

    @routes.post("/api/v1/site-file/look/stop", summary="Stop the look at a device", **rest)
    async def stop_look() -> looks.LookOut:
        """Its connection is closed; what it had seen is not kept."""
        await pages.desk.stop()
        return looks.look_out(pages.desk)

    return routes
