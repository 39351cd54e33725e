"""Ask the examiners about a bag that was just checked: questions beyond its being intact."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from provpack.edge.place import Place
from provpack.edge.reading import read_small
from provpack.jobs.verified import Examined, Examiner, UnitView
from provpack.package import rules
from provpack.package.baginfo import BagInfo
from provpack.package.bagpaths import readable
from provpack.package.bagtext import manifest_kind, normal_algorithm


def view_of(place: Place, files: Mapping[str, int], version: str | None, info: BagInfo | None) -> UnitView:
    """The bag as examiners see it. It can be read from as long as the place is open."""
    named = [kind for name in files if (kind := manifest_kind(name)) is not None]
    return UnitView(
        name=place.name,
        serialisation=place.serialisation,
        version=version,
        bag_info=tuple((e.label, e.value) for e in info.elements) if info is not None else (),
        has_bag_info="bag-info.txt" in files,
        payload_algorithms=tuple(sorted({normal_algorithm(k[1]) for k in named if k[0] == "payload"})),
        tag_algorithms=tuple(sorted({normal_algorithm(k[1]) for k in named if k[0] == "tag"})),
        has_fetch="fetch.txt" in files,
        files=files,
        read=lambda path, limit: read_small(place, path, limit),
    )


def examine(view: UnitView, examiners: Sequence[Examiner]) -> tuple[Examined, ...]:
    """Every examiner's answer, in order. One that fails says nothing about the bag, nor ends its check."""
    return tuple(_asked(view, examiner, number) for number, examiner in enumerate(examiners, 1))


def _asked(view: UnitView, examiner: Examiner, number: int) -> Examined:
    try:
        return examiner(view)
    except Exception as err:  # a slip of ours: what was asked stays open, the fixity of the bag stands
        what = f"A question to this package failed: {err.__class__.__name__}: {str(err)[:300]}"
        found = rules.CHECK_FAILED.found(what, readable(view.name) or "bag")
        return Examined(
            topic=f"question-{number}", state="could_not_check", demands="could_not_check", findings=(found,)
        )
