"""Profiles on disk: whole or not at all, earlier ones kept, damaged ones named."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from profile_cases import T_REF, case_facts, case_fit

from daemon import profile_store
from daemon.profile_commands import find_report, show_advice, show_profile, show_schema
from daemon.profile_store import ProfileDamaged, ProfileStore, load_profile, profile_csv
from routines.advice import AdviceRequest
from routines.profile import Profile, profile_from_json
from routines.profile_build import build_profile

START = datetime(2026, 3, 14, 22, 5, tzinfo=UTC)


def profile(days: int = 0) -> Profile:
    return build_profile(case_fit(), case_facts(created=START + timedelta(days=days)))


def test_the_latest_is_found_and_earlier_ones_are_kept(tmp_path: Path) -> None:
    store = ProfileStore(tmp_path / "state")
    assert store.latest() is None
    for days in range(3):
        store.save(profile(days))
    assert store.latest() == profile(2)
    assert [path.name for path in store.earlier_paths()] == [
        "profile-20260314T220500Z.json",
        "profile-20260315T220500Z.json",
    ]
    assert store.history() == [profile(0), profile(1), profile(2)]
    assert not list(tmp_path.rglob("*.part"))


def test_saving_the_same_profile_again_keeps_one_copy(tmp_path: Path) -> None:
    store = ProfileStore(tmp_path)
    for _ in range(3):
        store.save(profile())
    assert len(store.earlier_paths()) == 1


def test_a_crash_while_writing_leaves_the_old_profile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = ProfileStore(tmp_path)
    store.save(profile(0))

    def power_loss(handle: int) -> None:
        raise OSError("power lost")

    monkeypatch.setattr("os.fsync", power_loss)
    with pytest.raises(OSError, match="power lost"):
        profile_store.write_text(store.latest_path, profile(1).to_json())
    assert store.latest() == profile(0)
    assert not list(tmp_path.rglob("*.part"))


@pytest.mark.parametrize("damage", [b"", b"{", b"\xff\xfe\x00", b'{"schema": "drawtube-profile/1"}'])
def test_a_damaged_profile_is_an_error_with_its_copy_kept(tmp_path: Path, damage: bytes) -> None:
    store = ProfileStore(tmp_path)
    store.latest_path.write_bytes(damage)
    for _ in range(2):
        with pytest.raises(ProfileDamaged, match="is not a usable profile") as caught:
            store.latest()
        assert caught.value.copy is not None and caught.value.copy.read_bytes() == damage
    assert len(list(tmp_path.glob("*.damaged"))) == 1
    store.save(profile())
    assert store.latest() == profile()
    assert (tmp_path / "earlier" / "profile-damaged.json").read_bytes() == damage
    assert store.history() == [profile()]


def test_a_profile_that_hides_a_reason_is_named_as_damaged(tmp_path: Path) -> None:
    document = profile().as_dict()
    document["backlash_steps"] = None
    path = tmp_path / "profile.json"
    path.write_text(json.dumps(document))
    with pytest.raises(ProfileDamaged, match="backlash_steps"):
        load_profile(path)


def test_the_table_gives_numbers_and_reasons() -> None:
    table = list(csv.DictReader(io.StringIO(profile_csv(profile()))))
    backlash = next(row for row in table if row["number"] == "backlash_steps")
    assert (float(backlash["value"]), float(backlash["u"]), backlash["unit"]) == (86.3, 0.8, "steps")
    missing = next(row for row in table if row["number"] == "mask_minus_width_steps")
    assert missing["value"] == "" and missing["reason"] == "mask and width were not both observed"
    offsets = {row["filter"]: row["value"] for row in table if row["number"] == "offset_steps"}
    assert float(offsets["B"]) == -21.7


def test_commands_answer_from_the_state_folder(tmp_path: Path) -> None:
    assert show_profile(tmp_path).exit_code == 5
    ProfileStore(tmp_path).save(profile())
    assert profile_from_json(show_profile(tmp_path, form="json").out) == profile()
    assert show_profile(tmp_path, form="csv").out.startswith("number,filter,value")
    words = show_profile(tmp_path).out
    assert "backlash" in words and "86 steps" in words
    assert json.loads(show_schema().out)["title"] == "drawtube-profile/1"


def test_advice_command_and_its_exit_codes(tmp_path: Path) -> None:
    ProfileStore(tmp_path).save(profile())
    asked = show_advice(tmp_path, AdviceRequest("R", T_REF))
    assert asked.exit_code == 0
    assert "1. go to" in asked.out and "2. go to" in asked.out
    assert json.loads(show_advice(tmp_path, AdviceRequest("R", T_REF), as_json=True).out)["filter"] == "R"
    assert show_advice(tmp_path, AdviceRequest("none such", T_REF)).exit_code == 2
    refused = show_advice(tmp_path, AdviceRequest("R", 3000.0))
    assert refused.exit_code == 0 and "extrapolated" in refused.out
    cold = show_advice(tmp_path, AdviceRequest("R", 9000.0))
    assert cold.exit_code == 5 and "leaves the limits" in cold.err


def test_report_command_stays_inside_the_runs(tmp_path: Path) -> None:
    (tmp_path / "runs" / "night-1").mkdir(parents=True)
    page = tmp_path / "runs" / "night-1" / "report.html"
    page.write_text("<p>")
    assert find_report(tmp_path, "night-1").out == str(page)
    assert "night-1" in find_report(tmp_path, "night-2").err
    assert find_report(tmp_path, "../../etc").exit_code == 2
