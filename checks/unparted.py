"""Tells beside a named cause those that the tags of the site cannot part from it, and lowers its odds by their weight.

A cause that the data were weighed against is left out here: it is told where it remains likely, and ruled out where not.
"""

from __future__ import annotations

from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import replace

from checks.causes import registry
from checks.causes.naming import cheapest, mates, partners
from checks.finding import UNKNOWN, Alternative, Finding

NOBODY_KNOWS = "go and look: no tag of this product parts the two"


def with_unparted(found: Sequence[Finding], tags: AbstractSet[str]) -> tuple[Finding, ...]:
    """The findings of one loop, each with the causes that its tags cannot part from the named one; `tags` as `tags_of` gives them.

    The odds of the named cause become those against all others, these included, in the ratio in which the trade meets them
    (`Cause.weight`, own estimates), but none above the named one; `weighed_odds` keeps what they were. Causes that stand by themselves in `found` are not
    told again. Findings without a name, and those of one kind only, come back as they are.
    """
    named = {finding.cause for finding in found}
    return tuple(finding if finding.cause == UNKNOWN else _told(finding, tags, named) for finding in found)


def _told(finding: Finding, tags: AbstractSet[str], named: AbstractSet[str]) -> Finding:
    known = registry()
    weighed = {*finding.ruled_out, *(other.cause for other in finding.alternatives), *named}
    open_causes = [cause for cause in mates(finding.cause, tags) if cause not in weighed and not known[cause].innocent]
    if not open_causes or finding.cause not in known:
        return finding
    share = 1.0 if finding.odds is None else finding.odds / (1.0 + finding.odds)
    own = known[finding.cause].weight
    shares = {cause: share * min(known[cause].weight / own, 1.0) for cause in open_causes}
    whole = 1.0 + sum(shares.values())
    words = dict(partners(finding.cause))
    beside = tuple(
        Alternative(
            cause=cause, odds=part / (whole - part), separated_by=words.get(cause) or _by_tag(finding.cause, cause, tags)
        )
        for cause, part in sorted(shares.items(), key=lambda item: -item[1])
    )
    return replace(
        finding,
        odds=None if finding.odds is None else share / (whole - share),
        weighed_odds=finding.odds,
        alternatives=(*finding.alternatives, *beside),
    )


def _by_tag(one: str, other: str, tags: AbstractSet[str]) -> str:
    roles = cheapest(one, other, tags)
    return f"reading also {' and '.join(f'`{role}`' for role in roles)}" if roles else NOBODY_KNOWS
