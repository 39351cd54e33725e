"""What a row says of its chain's last check, held against the register; and the machines of a pass."""

from __future__ import annotations

from pathlib import Path

import pytest
from unit.input.jobs_made import checked, make_job, replace_text

ID = 'capture_software = "Deskrec 2.1"'
REGISTER = 'checks = [{ id = "CC-11", at = 2031-05-02, outcome = "passed" }]'


def named(folder: Path, check: str, register: str = REGISTER) -> Path:
    """The clean job, both chains naming that check."""
    job = make_job(folder)
    text = (job / "job.toml").read_text(encoding="utf-8")
    (job / "job.toml").write_text(text.replace(ID, f'{ID}\nchain_check_id = "{check}"'), encoding="utf-8")
    replace_text(job, [("equipment.toml", REGISTER, register)])
    return job


@pytest.mark.parametrize(
    ("check", "register", "rule", "severity"),
    [
        ("CC-99", REGISTER, "row-chain-check-unknown", "error"),
        ("CC-11", REGISTER.replace("passed", "failed"), "row-chain-check-failed", "error"),
        ("CC-11", REGISTER.replace("outcome", 'chain_id = "Z", outcome'), "row-chain-check-unknown", "error"),
        (
            "CC-11",
            REGISTER.replace("]", ', { id = "CC-13", at = 2031-05-03, outcome = "failed" }]'),
            "row-chain-check-failed-since",
            "warning",
        ),
        ("CC-11", REGISTER.replace("05-02", "06-02"), "rec-chain-check-after", "error"),
        ("none", REGISTER, "rec-chain-check-missing", "warning"),
        ("Unknown", REGISTER, "rec-chain-check-missing", "warning"),
    ],
)
def test_a_check_is_held_against_the_register(
    tmp_path: Path, check: str, register: str, rule: str, severity: str
) -> None:
    # domain note section 8 field 49: the last passed test of the chain
    result = checked(named(tmp_path / "job", check, register))
    about = [f for f in result.findings if "chain_check" in f.where and f.rule != "rec-chain-check-old"]
    assert {(f.rule, f.severity) for f in about} == {(rule, severity)}


def test_a_check_without_decoder_is_no_less_missed(tmp_path: Path) -> None:
    job = named(tmp_path / "job", "CC-99")
    replace_text(job, [("job.toml", 'decoder_id = "P1"\n', "")])
    text = (job / "job.toml").read_text(encoding="utf-8")
    for old, new in (("betamax", "dat"), ("eiaj_14", "dat"), ('line_standard = "525_5994"\n', "")):
        text = text.replace(old, new)
    (job / "job.toml").write_text(text, encoding="utf-8")
    assert "row-chain-check-unknown" in {f.rule for f in checked(job).findings}


def passes(folder: Path, chain: str) -> Path:
    job = make_job(folder)
    lines = ["transfer_id;n;chain_id;started_at;stopped_at;outcome;file"]
    first = (job / "transfers.csv").read_text(encoding="utf-8-sig").splitlines()[1].split(";")[0]
    lines.append(f"{first};1;{chain};2031-05-06T09:00:00Z;2031-05-06T09:00:04Z;complete;t1.wav")
    (job / "passes.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return job


def test_a_pass_has_the_machines_of_its_own_chain(tmp_path: Path) -> None:
    # the row is on chain A (deck D1); the pass says B (deck D2)
    job = checked(passes(tmp_path / "job", "B")).job
    (entry,) = job.transfers[0].values["passes"]
    assert (entry["deck_id"], entry["decoder_id"], entry["capture_input"]) == ("D2", "P1", "2")


def test_a_pass_on_a_chain_nobody_declared_is_found(tmp_path: Path) -> None:
    found = checked(passes(tmp_path / "job", "Q")).findings
    assert [f.severity for f in found if f.rule == "row-chain-unknown"] == ["error"]
