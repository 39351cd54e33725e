"""receive as a command: a list of signers that came with the delivery, and folders of deliveries."""

from __future__ import annotations

import shutil
from pathlib import Path

from cli.commandline import fits, no_traceback, run
from support.handover import hand_over, signer, studio


def test_only_a_list_of_one_s_own_vouches(tmp_path: Path) -> None:
    key = signer(tmp_path / "k", "studio@grauwell")
    hand_over(studio(tmp_path, ids=("T01",)), tmp_path / "d", signer=key)
    delivery, own = tmp_path / "d/d1", tmp_path / "own"
    shutil.copy(delivery / "allowed_signers", own)
    states = {}
    for name, given in (("theirs", delivery / "allowed_signers"), ("own", own)):
        to = tmp_path / "r" / name
        to.mkdir(parents=True)
        said = run("receive", delivery, "--to", to, "--signers", given, "--json")
        no_traceback(said.err)
        value = said.json()
        fits("receive", value)
        states[name] = (value["content"]["note_signature"], said.code)
        came_along = "receive-signers-came-along" in {f["rule"] for f in value["findings"]}
        assert came_along == (name == "theirs")
    assert states == {"theirs": ("unvouched", 1), "own": ("valid", 0)}
    above = run("receive", tmp_path / "d", "--to", tmp_path / "r", "--json")
    assert (above.code, above.json()["error"]["code"]) == (12, "several-deliveries")
    assert "Name one delivery" in above.err
    (delivery / "delivery-note.json").unlink()
    text = run("receive", delivery, "--to", tmp_path / "r")
    assert text.code == 10
    assert "receive-note-missing" in text.out
    assert "The delivery note is not there." in text.out
