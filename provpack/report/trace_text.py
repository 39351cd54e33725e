"""A trace as lines of plain text: the notices first, then every pass by client, in order of time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from provpack.package.figures import counted, moment_words, numbered
from provpack.package.noticewords import PEOPLE, ROLES, WHY
from provpack.report.text import finding_lines, hanging

if TYPE_CHECKING:
    from provpack.findings import Finding

Json = Mapping[str, Any]

VERDICT: Final[Mapping[str, str]] = {
    "covered": "COVERED",
    "not_covered": "not covered",
    "cannot_be_told": "CANNOT BE TOLD",
}
_SEEN: Final = 10
PERSONAL: Final = (
    "Who worked on what is personal data: use this list for the purpose it was asked for, follow the data "
    "protection rules of your house, and ask whoever is responsible there before passing it on."
)
READ_FIRST: Final = (
    "Read each notice before you send it, fill in the blank lines by hand, and look whether the words of the "
    "fault notice may leave the house as they stand: names are looked for, but a nickname, a name misspelt "
    "or a hint at somebody is not found. A notice lists only packages that were looked at."
)


def trace_lines(result: Json, findings: Sequence[Finding]) -> Iterator[str]:
    """result: the object of schemas/result-trace.schema.json; findings: the same as in it."""
    yield from _head(result)
    yield ""
    yield from _notices(result)
    for group in result["clients"]:
        yield from _client(group, result["notices"])
    if not result["clients"]:
        yield "No pass is known in which it took part" + _asked(result) + "."
        yield ""
    if findings:
        yield from finding_lines(findings)
        yield ""
    totals = result["totals"]
    yield (
        f"{counted(totals['passes'], 'pass', 'passes')} of {counted(totals['transfers'], 'transfer')} for "
        f"{counted(totals['clients'], 'client')}, {numbered(totals['undated'])} without a time."
    )
    if PEOPLE & set(result["roles"]):
        yield from hanging(PERSONAL, "")
    for letter in result["letters"]:
        yield f"Notice for {letter['client']}: {letter['path']}"
    if result["letters"]:
        yield from hanging(READ_FIRST, "")
    if result["table"]:
        yield f"Table: {result['table']}"


def _head(result: Json) -> Iterator[str]:
    roles = ", ".join(ROLES.get(role, role) for role in result["roles"])
    yield f"Traced: {result['equipment']}" + (f" ({roles})" if roles else "") + _asked(result)
    entry, looked = result["register"], result["looked"]
    if entry:
        yield f"  Register: {entry['kind']}, {entry['make_model']}, serial {entry['serial']}"
        for fit in entry["fitted_to"]:
            yield f"    in {_into(fit)} {_span(fit)}"
    for fit in result["fitted_here"]:
        yield f"  In it, by the register: {fit['part']} {_span(fit)}: can be traced by itself"
    where = looked["catalogue"] or ", ".join(looked["roots"])
    how = "the catalogue" if looked["catalogue"] else "read anew:"
    yield f"  Looked in: {how} {where} ({counted(looked['packages'], 'package')})"
    if looked["catalogue"]:
        if looked["roots"]:
            yield f"  Only what lies beneath: {', '.join(looked['roots'])}"
        for seen in looked["seen"][:_SEEN]:
            yield f"  Last looked at: {seen['root']}, {seen['at'] or 'nobody knows when'}"
        if len(looked["seen"]) > _SEEN:
            yield f"  and {counted(len(looked['seen']) - _SEEN, 'root')} more (--json has them all)"
        if not looked["seen"]:
            yield "  Last looked at: nobody knows when"
    if looked["not_read"]:
        yield (
            f"  NOT READ wholly: {counted(looked['not_read'], 'package')}; what took part there may be "
            "missing here"
        )


def _into(fit: Json) -> str:
    return f"chain {fit['into']}" if fit["kind"] == "chain" else str(fit["into"])


def _span(fit: Json) -> str:
    return f"from {_when(fit['since'], 'as long as anybody knows')} to {_when(fit['until'], 'today')}"


def _when(moment: str | None, nothing: str = "") -> str:
    return moment_words(moment) if moment else nothing


def _asked(result: Json) -> str:
    since, until = result["since"], result["until"]
    return (f" since {_when(since)}" if since else "") + (f" until {_when(until)}" if until else "")


def _notices(result: Json) -> Iterator[str]:
    notices = result["notices"]
    if not notices:
        yield "No fault notice about it is known."
        yield ""
        return
    yield f"Fault notices ({len(notices)}):"
    for notice in notices:
        good = notice["last_known_good"]
        begin = _when(notice["since"], f"{_when(good)} (last known good)" if good else "nobody knows")
        state = f"cleared {_when(notice['cleared_at'])}" if notice["cleared_at"] else "NOT cleared"
        yield from hanging(
            f"{_name(notice)}: effect from {begin} to {_when(notice['until'], 'today')}; noted "
            f"{_when(notice['noted_at'], 'nobody knows when')}; {state} ({', '.join(notice['sources'])})",
            "  ",
        )
        for words in notice["words"]:
            yield from hanging(words, "    ")
        many = {word: numbered(n) for word, n in notice["transfers"].items()}
        yield (
            f"    transfers: {many['covered']} covered, {many['cannot_be_told']} cannot be told, "
            f"{many['not_covered']} not covered"
        )
    yield ""


def _name(notice: Json) -> str:
    return str(notice["id"] or f"fault notice {notice['n']}")


def _client(group: Json, notices: Sequence[Json]) -> Iterator[str]:
    name = group["client"] or "Nobody noted whose these are"
    yield f"{name} ({counted(group['transfers'], 'transfer')}):"
    for one in group["passes"]:
        yield from _pass(one, notices)
    if group["undated"]:
        yield "  Nobody noted when:"
        for one in group["undated"]:
            yield from _pass(one, notices)
    yield ""


def _pass(one: Json, notices: Sequence[Json]) -> Iterator[str]:
    number = f"pass {one['pass_n']}" if one["pass_n"] is not None else "the transfer"
    role = ", ".join(ROLES.get(r, r) for r in one["roles"])
    title = f" '{one['title']}'" if one["title"] else ""
    yield f"  {_times(one)}  {one['transfer_id'] or '?'} {number}: {role}{title}"
    through = one["through"]
    if through:
        steps = ", ".join(f"in {_into(s)} {_span(s)}" for s in through["steps"])
        sure = "" if through["fitted"] == "surely" else "; whether during this pass cannot be told"
        yield from hanging(f"by today's register, not by the record: {steps}{sure}", "      ")
    for copy in (one, *one["copies"]):
        yield from hanging(f"{copy['package']}  {copy['place']}{'  (gone)' * copy['gone']}", "      ")
        check = copy["last_check"]
        yield "      " + (
            f"last check: {check['outcome']}, {moment_words(check['at'])}"
            if check["outcome"]
            else "never checked"
        )
    for word in one["judgements"]:
        notice = notices[word["notice"] - 1]
        cleared = " (cleared)" if notice["cleared_at"] else ""
        why = f": {WHY[word['why']]}" if word["why"] else ""
        yield f"      {_name(notice)}: {VERDICT[word['verdict']]}{why}{cleared}"


def _times(one: Json) -> str:
    start, stop = one["started_at"], one["stopped_at"]
    if start is None and stop is None:
        return "?"
    begin = start.removesuffix("Z").replace("T", " ") if start else "?"
    end = stop.removesuffix("Z").replace("T", " ") if stop else "?"
    return f"{begin} to {end[11:] if end[:11] == begin[:11] else end} UTC"
