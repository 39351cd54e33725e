"""The administrative part of METS: the very PREMIS entities of premis.xml, and the AES57 audio object.

The carrier and the file as handed in are sources (`sourceMD`); the files of the package and the audio payload
are technical metadata (`techMD`); the AES57 object of the master is technical, that of the carrier a source;
events and agents are provenance (`digiprovMD`). As all entities are here, every PREMIS link can be followed
inside the METS document.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from provpack.package.audio_object import audio_object_node, carrier_object_node
from provpack.package.mets_terms import el, ids, wrapped
from provpack.package.premis_agents import build_agents, build_rights
from provpack.package.premis_events import build_events
from provpack.package.premis_objects import build_objects
from provpack.package.premis_terms import PREMIS
from provpack.package.premis_view import View
from provpack.xmldoc import Node

PREMIS_VERSION = "3.0"
AES57 = {"MDTYPE": "OTHER", "OTHERMDTYPE": "AES57-2011"}
AES57_ID = "techmd-aes57"
AES57_CARRIER_ID = "sourcemd-aes57"
RIGHTS_ID = "rightsmd-1"


def values(node: Node, *names: str) -> Iterator[str]:
    """Text of all PREMIS elements of these names below a node."""
    wanted = {f"{{{PREMIS}}}{name}" for name in names}
    for child in node.children:
        if isinstance(child, Node):
            if child.tag in wanted:
                yield "".join(part for part in child.children if isinstance(part, str))
            else:
                yield from values(child, *names)


def _name(node: Node, kind: str) -> str:
    """The last part of the identifier we gave an entity, e.g. `master-1`."""
    return next(values(node, f"{kind}IdentifierValue")).rpartition("/")[2]


def source_id(name: str) -> str:
    return f"sourcemd-{name}"


def tech_id(name: str) -> str:
    return f"techmd-{name}"


def event_id(name: str) -> str:
    return f"digiprovmd-event-{name}"


def agent_id(name: str) -> str:
    return f"digiprovmd-agent-{name}"


def _last(found: Iterable[str]) -> list[str]:
    return [value.rpartition("/")[2] for value in found]


@dataclass(frozen=True, slots=True, kw_only=True)
class Admin:
    """The sections and who belongs to whom; all keys and values are names of PREMIS entities.

    sources: the carrier and the files handed in. related: object -> objects its relationships name. within:
    object -> objects that are part of it. rights: objects under the rights statement. events: object ->
    events it takes part in, in their order. unlinked: events of the package or the equipment, of no object.
    """

    section: Node
    sources: frozenset[str]
    related: Mapping[str, Sequence[str]]
    within: Mapping[str, Sequence[str]]
    rights: frozenset[str]
    events: Mapping[str, Sequence[str]]
    unlinked: tuple[str, ...]
    aes57: bool
    aes57_carrier: bool

    def of_carrier(self) -> str | None:
        """ADMID of the carrier: what it is, twice over, and all that happened to it."""
        aes57 = (AES57_CARRIER_ID,) if self.aes57_carrier else ()
        return ids((source_id("carrier"), *aes57, *map(event_id, self.events.get("carrier", ()))))

    def of_package(self) -> str | None:
        """ADMID of the whole: events that no object takes part in."""
        return ids(map(event_id, self.unlinked))

    def of_file(self, name: str) -> str | None:
        """ADMID of a file: itself, what it contains, its rights, where it came from, its events."""
        within = self.within.get(name, ())
        received = [other for other in self.related.get(name, ()) if other in self.sources]
        before = [o for source in received for o in self.related.get(source, ()) if o in self.sources]
        own = (name, *within, *(o for o in received if o != "carrier"))
        return ids(
            (
                tech_id(name),
                *map(tech_id, within),
                *((AES57_ID,) if self.aes57 and within else ()),
                *((RIGHTS_ID,) if name in self.rights else ()),
                *map(source_id, (*received, *before)),
                *(event_id(event) for one in own for event in self.events.get(one, ())),
            )
        )


def _events_of(objects: Mapping[str, Node], events: Mapping[str, Node]) -> dict[str, list[str]]:
    """Object -> events that link to it, or that its own relationships name."""
    out: dict[str, list[str]] = {}
    for name, node in events.items():
        for linked in dict.fromkeys(_last(values(node, "linkingObjectIdentifierValue"))):
            out.setdefault(linked, []).append(name)
    for name, node in objects.items():
        related = _last(values(node, "relatedEventIdentifierValue"))
        out.setdefault(name, []).extend(event for event in related if event in events)
    return out


def _parts_of(objects: Mapping[str, Node], related: Mapping[str, Sequence[str]]) -> dict[str, list[str]]:
    """Object -> objects that say they are included in it."""
    out: dict[str, list[str]] = {}
    for name, node in objects.items():
        if "is included in" in values(node, "relationshipSubType"):
            for whole in related[name]:
                out.setdefault(whole, []).append(name)
    return out


def build_admin(view: View) -> Admin:
    """`amdSec` and its register. Raises what the PREMIS and AES57 builders raise."""
    objects = {_name(node, "object"): node for node in build_objects(view, extension=None, merged=None)}
    events = {_name(node, "event"): node for node in build_events(view)}
    sources = frozenset({"carrier", *view.received.values()})
    aes57, aes57_carrier = audio_object_node(view.record, view.files), carrier_object_node(view.record)
    tech = [wrapped("techMD", AES57_ID, aes57, **AES57)] if aes57 is not None else []
    for name, node in objects.items():
        if name not in sources:
            tech.append(_premis("techMD", tech_id(name), "OBJECT", node))
    provenance = [
        _premis("digiprovMD", event_id(name), "EVENT", node, admid=ids(map(agent_id, _agents_of(node))))
        for name, node in events.items()
    ] + [_premis("digiprovMD", agent_id(_name(node, "agent")), "AGENT", node) for node in build_agents(view)]
    section = el(
        "amdSec",
        {"ID": "amdsec-1"},
        *tech,
        _premis("rightsMD", RIGHTS_ID, "RIGHTS", build_rights(view)),
        *(_premis("sourceMD", source_id(n), "OBJECT", o) for n, o in objects.items() if n in sources),
        wrapped("sourceMD", AES57_CARRIER_ID, aes57_carrier, **AES57) if aes57_carrier is not None else None,
        *provenance,
    )
    related = {name: _last(values(node, "relatedObjectIdentifierValue")) for name, node in objects.items()}
    return Admin(
        section=section,
        sources=sources,
        related=related,
        within=_parts_of(objects, related),
        rights=frozenset(
            name
            for name, node in objects.items()
            if any(values(node, "linkingRightsStatementIdentifierValue"))
        ),
        events=_events_of(objects, events),
        unlinked=tuple(
            name for name, node in events.items() if not any(values(node, "linkingObjectIdentifierValue"))
        ),
        aes57=aes57 is not None,
        aes57_carrier=aes57_carrier is not None,
    )


def _agents_of(event: Node) -> list[str]:
    return _last(values(event, "linkingAgentIdentifierValue"))


def _premis(md: str, name: str, kind: str, node: Node, *, admid: str | None = None) -> Node:
    """A PREMIS entity; MDTYPE words from the list of mets.xsd 1.12.1."""
    return wrapped(md, name, node, admid=admid, MDTYPE=f"PREMIS:{kind}", MDTYPEVERSION=PREMIS_VERSION)
