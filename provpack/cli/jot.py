"""provpack jot"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from provpack.cli.jotting import at_option as _at
from provpack.cli.jotting import hand_of as _hand
from provpack.cli.jotting import job_argument as _job
from provpack.cli.jotting import note_option as _note
from provpack.cli.jotting import options as _options
from provpack.cli.jotting import pass_option as _pass
from provpack.cli.jotting import to_option as _to
from provpack.cli.jotting import told as _told
from provpack.cli.jotting import transfer_argument as _transfer
from provpack.cli.jotting import write_line as _write
from provpack.cli.output import json_option


@click.group(name="jot")
def command() -> None:
    """Write down, without the page, what the page would: the bench log of a job folder.

    Page and command line write the same lines and may be used in turn. A line is on disk before it is
    confirmed; none is ever changed, `undo` writes one that says which no longer counts.
    """


@command.command(name="take-in", short_help="A carrier is at the bench.")
@_job
@_transfer
@_options
def take_in(job: Path, transfer_id: str, by: str | None, as_json: bool) -> int:
    """A carrier is at the bench: TRANSFER is its identifier, new or from a sheet."""
    return _write(job, by, as_json, "take-in", "taken_in", {"transfer_id": transfer_id})


@command.command(name="declare", short_help="State a value, change it, or take it away.")
@_job
@click.argument("name", metavar="FIELD")
@click.argument("value", required=False)
@click.option("--transfer", "transfer_id", metavar="ID", help="Of this transfer.")
@click.option("--chain", "chain_id", metavar="ID", help="Of this chain; a new one comes into being.")
@click.option("--equipment", metavar="ID", help="Of this piece of equipment; a new one comes into being.")
@click.option("--defaults", is_flag=True, help="For every transfer that says nothing else.")
@click.option("--job", "of_job", is_flag=True, help="Of the job itself.")
@click.option("--json-value", metavar="JSON", help="The value as JSON: for tables, or an exact form.")
@click.option("--take-away", is_flag=True, help="The field has no value any more.")
@click.option("--seen", metavar="JSON", help="Refuse if this is not what is in force now.")
@_note
@_options
def declare(
    job: Path,
    name: str,
    value: str | None,
    transfer_id: str | None,
    chain_id: str | None,
    equipment: str | None,
    defaults: bool,
    of_job: bool,
    json_value: str | None,
    take_away: bool,
    seen: str | None,
    note: str | None,
    by: str | None,
    as_json: bool,
) -> int:
    """State a value: FIELD of a transfer, chain, piece of equipment, of the defaults or the job.

    VALUE is typed as in a cell of a sheet, several values divided by |. The names of the fields are those of
    the sheets.
    """
    from provpack.jobs import jot

    places = [
        ("transfer", transfer_id), ("chain", chain_id), ("equipment", equipment),
        ("defaults", None if not defaults else ""), ("job", None if not of_job else ""),
    ]  # fmt: skip
    given = [(scope, id_) for scope, id_ in places if id_ is not None]
    if len(given) != 1:
        raise click.UsageError("Say of what: one of --transfer, --chain, --equipment, --defaults, --job.")
    if (value is not None) + (json_value is not None) + take_away != 1:
        raise click.UsageError("Give one of VALUE, --json-value, --take-away.")
    stated: Any = None
    if value is not None:
        stated = {"cell": value}
    elif json_value is not None:
        stated = jot.json_value(json_value, "--json-value")
    members = {"scope": given[0][0], "id": given[0][1] or None, "field": name, "value": stated, "note": note}
    if seen is not None:
        members["was"] = jot.json_value(seen, "--seen")
    return _write(job, by, as_json, "declare", "declared", members)


@command.command(name="settings", short_help="Show what is confirmed before a pass on a chain.")
@_job
@click.argument("chain_id", metavar="CHAIN")
@json_option
def settings(job: Path, chain_id: str, as_json: bool) -> int:
    """Show the settings of CHAIN in force, and the word that `start --as-shown` wants for them."""
    from provpack.jobs import jot

    return _told(jot.settings(_hand(job, None), chain_id), as_json)


@command.command(name="start", short_help="A pass begins on a chain.")
@_job
@_transfer
@click.argument("chain_id", metavar="CHAIN")
@click.option(
    "--as-shown", metavar="WORD", help="Confirm the settings that `settings` showed with this word."
)
@click.option(
    "--set", "typed", multiple=True, metavar="FIELD=VALUE",
    help="A setting as it is now, typed as in a cell; may be given again.",
)  # fmt: skip
@click.option("--json-settings", metavar="JSON", help="Settings as one JSON object.")
@click.option("--reason", metavar="TEXT", help="Why a second or later pass is made.")
@_note
@_at
@_options
def start(
    job: Path,
    transfer_id: str,
    chain_id: str,
    as_shown: str | None,
    typed: tuple[str, ...],
    json_settings: str | None,
    reason: str | None,
    note: str | None,
    at: str | None,
    by: str | None,
    as_json: bool,
) -> int:
    """A pass of TRANSFER begins on CHAIN. Every setting of the chain is confirmed: with --as-shown what
    `settings` printed, with --set what is stated here.
    """
    from provpack.jobs import jot

    stated: dict[str, Any] = {}
    if json_settings is not None:
        given = jot.json_value(json_settings, "--json-settings")
        if not isinstance(given, Mapping):
            raise click.UsageError('--json-settings wants one JSON object: {"deck_id": "D1"}.')
        stated.update(given)
    for word in typed:
        name, sign, value = word.partition("=")
        if not sign:
            raise click.UsageError(f"--set wants FIELD=VALUE, not '{word}'.")
        stated[name.strip()] = {"cell": value}
    hand = _hand(job, by)
    members = {
        "transfer_id": transfer_id, "chain_id": chain_id, "settings": stated, "reason": reason, "note": note,
        "happened_at": jot.moment(at, hand.now()),
    }  # fmt: skip
    return _told(jot.start(hand, members, as_shown), as_json)


@command.command(name="stop", short_help="A pass ends.")
@_job
@_transfer
@click.argument("outcome", metavar="OUTCOME")
@_pass
@_note
@_at
@_options
def stop(
    job: Path,
    transfer_id: str,
    outcome: str,
    number: int | None,
    note: str | None,
    at: str | None,
    by: str | None,
    as_json: bool,
) -> int:
    """The running pass of TRANSFER ends. OUTCOME is one of complete, partial, stopped_for_safety,
    no_pcm_found, failed, unknown.
    """
    members = {"transfer_id": transfer_id, "pass": number, "outcome": outcome, "note": note}
    return _write(job, by, as_json, "stop", "pass_stopped", members, at)


@command.command(name="event", short_help="Something happened during a pass.")
@_job
@_transfer
@click.argument("type_", metavar="TYPE")
@_pass
@_note
@_at
@_options
def event(
    job: Path,
    transfer_id: str,
    type_: str,
    number: int | None,
    note: str | None,
    at: str | None,
    by: str | None,
    as_json: bool,
) -> int:
    """Something happened during the running pass of TRANSFER.

    \b
    TYPE is one of
      capture_start  capture_stop  programme_start  programme_end  speech_slate
      mute  hold  interpolation_seen  error_lamp  unlock  relock  silence
      tracking_adjust  head_clog  stop_cleaned  join  standard_change
      emphasis_on  emphasis_off  copy_flag  mode_14  mode_16  operator_note
    """
    members = {"transfer_id": transfer_id, "pass": number, "type": type_, "note": note}
    return _write(job, by, as_json, "event", "event", members, at)


@command.command(name="note", short_help="A free note.")
@_job
@click.argument("text", metavar="TEXT")
@click.option("--transfer", "transfer_id", metavar="ID", help="On this transfer; else on the evening.")
@_pass
@_at
@_options
def note(
    job: Path,
    text: str,
    transfer_id: str | None,
    number: int | None,
    at: str | None,
    by: str | None,
    as_json: bool,
) -> int:
    """A free note: on the evening, on a transfer, or on one of its passes."""
    if number is not None and transfer_id is None:
        raise click.UsageError("--pass belongs to a --transfer.")
    members = {"note": text, "transfer_id": transfer_id, "pass": number}
    return _write(job, by, as_json, "note", "noted", members, at)


@command.command(name="attach", short_help="A file is the one of a pass.")
@_job
@_transfer
@click.argument("file", metavar="FILE")
@_pass
@click.option("--because", metavar="TEXT", help="You decide, whatever was found; say why it is this file.")
@click.option("--starts-at", metavar="TIME", help="When its first sample was taken, if you know.")
@_options
def attach(
    job: Path,
    transfer_id: str,
    file: str,
    number: int | None,
    because: str | None,
    starts_at: str | None,
    by: str | None,
    as_json: bool,
) -> int:
    """FILE, relative to JOB, is what the stopped pass of TRANSFER made.

    Refused unless its time, its length and its capture input agree with the pass; --because overrules that.
    """
    from provpack.jobs import jot

    hand = _hand(job, by)
    members = {
        "transfer_id": transfer_id, "pass": number, "file": file, "reason": because,
        "attached_by": None if because is None else "person",
        "starts_at": jot.moment(starts_at, hand.now(), "--starts-at"),
    }  # fmt: skip
    return _told(jot.write(hand, "attach", "file_attached", members), as_json)


@command.command(name="detach", short_help="A file is not the one of a pass after all.")
@_job
@_transfer
@click.argument("file", metavar="[FILE]", required=False)
@_pass
@click.option("--reason", metavar="TEXT", help="Why.")
@_to
@_options
def detach(
    job: Path,
    transfer_id: str,
    file: str | None,
    number: int | None,
    reason: str | None,
    destination: Path | None,
    by: str | None,
    as_json: bool,
) -> int:
    """Take the file off a pass of TRANSFER again. The file itself is not touched."""
    members = {"transfer_id": transfer_id, "pass": number, "file": file, "reason": reason}
    return _write(job, by, as_json, "detach", "file_detached", members, destination=destination)


@command.command(name="judge", short_help="A pass is accepted, or is to be made again.")
@_job
@_transfer
@click.argument("verdict", metavar="VERDICT")
@_pass
@_note
@_options
def judge(
    job: Path,
    transfer_id: str,
    verdict: str,
    number: int | None,
    note: str | None,
    by: str | None,
    as_json: bool,
) -> int:
    """What was decided about a stopped pass of TRANSFER. VERDICT is accepted or redo."""
    members = {"transfer_id": transfer_id, "pass": number, "verdict": verdict, "note": note}
    return _write(job, by, as_json, "judge", "judged", members)


@command.command(name="undo", short_help="A line no longer counts.")
@_job
@click.argument("line", metavar="[LINE]", required=False, type=click.IntRange(1))
@click.option("--reason", metavar="TEXT", help="Why.")
@_to
@_options
def undo(
    job: Path, line: int | None, reason: str | None, destination: Path | None, by: str | None, as_json: bool
) -> int:
    """Take a LINE of the log back: it stays there, and no longer counts. Without LINE: the last that does.

    A line that says so may be taken back itself. What is sealed in a package is not taken back.
    """
    from provpack.jobs import jot

    return _told(jot.undo(_hand(job, by, destination), line, reason), as_json)


@command.command(name="correct", short_help="A new transfer replaces a sealed one.")
@_job
@_transfer
@click.argument("new_id", metavar="[NEW]", required=False)
@click.option("--because", metavar="TEXT", required=True, help="What is wrong; it stands in the new package.")
@click.option("--again", is_flag=True, help="The carrier is played again; else the recording stays as it is.")
@_to
@_options
def correct(
    job: Path,
    transfer_id: str,
    new_id: str | None,
    because: str,
    again: bool,
    destination: Path | None,
    by: str | None,
    as_json: bool,
) -> int:
    """Take in a new transfer that replaces the sealed package of TRANSFER; the package stays as it is.

    NEW takes over what was stated of TRANSFER, its passes and file included; with --again only what was
    stated of the carrier. State for NEW what is right, then wrap it. Without NEW the next free identifier is
    used.
    """
    from provpack.jobs import jot

    hand = _hand(job, by, destination)
    return _told(jot.correct(hand, transfer_id, new_id, because, again), as_json)


@command.command(name="show", short_help="What runs, what waits, and the last lines.")
@_job
@json_option
def show(job: Path, as_json: bool) -> int:
    """Show what runs and since when, what waits for a file or a verdict, and the last lines."""
    from provpack.jobs import jot

    return _told(jot.show(_hand(job, None)), as_json)
