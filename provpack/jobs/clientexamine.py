"""Ask of a finished package whether it meets a client's requirements: the examiner that `verify` takes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from provpack.errors import CouldNotCheck
from provpack.findings import Finding
from provpack.jobs.clientprofiles import ClientProfile
from provpack.jobs.verified import Examined, Examiner, UnitView
from provpack.package import layout
from provpack.package import needrules as rules
from provpack.package.bagprofile import BagFacts, check_profile
from provpack.package.clientneeds import ClientNeeds, Json
from provpack.package.needcheck import needs_findings, package_findings

_MAX_RECORD = 64 * 1024 * 1024
TOPIC = "profile"


def facts_of(view: UnitView) -> BagFacts:
    """What a BagIt profile may ask about, of a bag that was just checked."""
    return BagFacts(
        name=view.name,
        serialisation=view.serialisation,
        version=view.version,
        bag_info=view.bag_info,
        has_bag_info=view.has_bag_info,
        payload_algorithms=view.payload_algorithms,
        tag_algorithms=view.tag_algorithms,
        has_fetch=view.has_fetch,
        files=view.files,
    )


def profile_examiner(profile: ClientProfile) -> Examiner:
    """Whether a bag meets the requirements: met, not_met, or could_not_check (when nothing is unmet, but the
    profile is unsound or the record cannot be read). A waiver in the record explains, it does not fulfil."""

    def examine(view: UnitView) -> Examined:
        facts = facts_of(view)
        unmet: list[Finding] = []
        unsure = [f for f in profile.findings if f.severity == "error"]
        said = [f for f in profile.findings if f.severity != "error"]
        record: Json | None = None
        if profile.bag is not None:
            unmet += check_profile(profile.bag, facts)
        if profile.needs is not None:
            record, why = _record(view)
            if record is None:
                unsure.append(_no_record(why))
            else:
                unmet += _needs(profile.needs, record, facts)
                said += _other_version(profile, record)
        state = "not_met" if _grave(unmet) else "could_not_check" if unsure else "met"
        return Examined(
            topic=TOPIC,
            state=state,
            demands=state,
            facts=_facts(profile, unmet),
            findings=tuple(_explained(f, record) for f in (*unmet, *unsure, *said)),
        )

    return examine


def _grave(found: list[Finding]) -> bool:
    return any(finding.severity == "error" for finding in found)


def _facts(profile: ClientProfile, unmet: list[Finding]) -> dict[str, Any]:
    return {
        **profile.as_record(),
        "client": profile.client,
        "version": profile.needs.version if profile.needs else profile.bag.version if profile.bag else None,
        "unmet": sum(f.severity == "error" for f in unmet),
    }


def _record(view: UnitView) -> tuple[Json | None, str]:
    if layout.RECORD not in view.files:
        return None, f"There is no {layout.RECORD}"
    try:
        record = json.loads(view.read(layout.RECORD, _MAX_RECORD))
    except CouldNotCheck as err:
        return None, err.what.rstrip(".")
    except (ValueError, RecursionError) as err:
        return None, f"{layout.RECORD} is not readable JSON ({err.__class__.__name__})"
    return (record, "") if isinstance(record, dict) else (None, f"{layout.RECORD} holds no JSON object")


def _no_record(why: str) -> Finding:
    return rules.RECORD_MISSING.found(f"{why}.", layout.RECORD, position={"path": layout.RECORD})


def _needs(needs: ClientNeeds, record: Json, facts: BagFacts) -> list[Finding]:
    files = record.get("files")
    roles = {
        str(one.get("role")) for one in (files if isinstance(files, list) else ()) if isinstance(one, dict)
    }
    found = (
        *needs_findings(needs, record, package_name=facts.name, roles=roles, finished=True),
        *package_findings(needs, record, facts),
    )
    return [
        replace(f, where=f"{layout.RECORD}#{f.where}", position={"path": layout.RECORD, "key": f.where})
        if f.where.startswith("/")
        else f
        for f in found
    ]


def _other_version(profile: ClientProfile, record: Json) -> list[Finding]:
    made_to = record.get("client_profile")
    digest = made_to.get("sha256") if isinstance(made_to, Mapping) else None
    if not isinstance(digest, str) or digest == profile.sha256:
        return []
    what = f"The record names requirements with SHA-256 {digest[:16]}…, this file has {profile.sha256[:16]}…."
    return [rules.OTHER_FILE.found(what, layout.RECORD, position={"path": layout.RECORD})]


def _explained(finding: Finding, record: Json | None) -> Finding:
    """With the reason the maker gave for setting the rule aside, if there is one."""
    waivers = record.get("waivers") if record else None
    for entry in waivers if isinstance(waivers, list) else ():
        if isinstance(entry, Mapping) and entry.get("rule") == finding.rule and entry.get("reason"):
            said = f"The maker's reason, by {entry.get('by', 'nobody named')}: {entry['reason']}"
            return replace(finding, what=f"{finding.what} {said}")
    return finding
