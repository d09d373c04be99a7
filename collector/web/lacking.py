"""Forms that whoever looks at a page may not send: their controls are disabled, and they say whose they are."""

from __future__ import annotations

import re
from html import unescape

from collector.access.roles import Role, Who
from collector.web.permissions import rule_of

_FORM = re.compile(r'(<form\b[^>]*?\bmethod="post"[^>]*?\baction="([^"]*)"[^>]*>)(.*?)(</form>)', re.DOTALL)


def disabled(page: str, me: Who) -> str:
    """The page with every form disabled that would be refused to `me`; the door refuses it in any case.

    Forms do not nest in HTML, and templates write `method` before `action`.
    """
    if me.may(Role.ADMIN):
        return page

    def marked(form: re.Match[str]) -> str:
        rule = rule_of("POST", unescape(form[2]).partition("?")[0])
        if rule is None or not isinstance(rule.need, Role) or me.may(rule.need):
            return form[0]
        says = f"<legend>for the role {rule.need.value}</legend>"
        return f'{form[1]}<fieldset class="lacking" disabled>{says}{form[3]}</fieldset>{form[4]}'

    return _FORM.sub(marked, page)
