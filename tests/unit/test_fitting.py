"""How the mask was last put on: kept, read, forgotten, and told by its command."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from daemon.commands.mask import mask
from daemon.fitting import Fitting, FittingDamaged, forget_fitting, keep_fitting, read_fitting

FITTING = Fitting(213.4, "20260314-1", "2026-03-14T21:05:00+00:00")


def test_what_is_kept_is_read_and_forgotten_once(tmp_path: Path) -> None:
    assert read_fitting(tmp_path) is None
    keep_fitting(tmp_path / "state", FITTING)
    assert read_fitting(tmp_path / "state") == FITTING
    assert forget_fitting(tmp_path / "state") and not forget_fitting(tmp_path / "state")
    assert read_fitting(tmp_path / "state") is None


@pytest.mark.parametrize("text", ["", "[]", '{"schema": "other/1"}', '{"orientation_deg": NaN}', "{"])
def test_a_damaged_file_is_an_error_that_says_what_to_do(text: str, tmp_path: Path) -> None:
    (tmp_path / "mask-fitting.json").write_text(text)
    with pytest.raises(FittingDamaged, match="drawtube mask --forget"):
        read_fitting(tmp_path)
    assert forget_fitting(tmp_path) and (tmp_path / "mask-fitting.forgotten.json").read_text() == text


def test_the_command_tells_and_forgets(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert mask(tmp_path, forget=False, as_json=False) == 0
    assert "Not known yet" in capsys.readouterr().out
    keep_fitting(tmp_path, FITTING)
    assert mask(tmp_path, forget=False, as_json=False) == 0
    assert "213.4 deg" in capsys.readouterr().out
    assert mask(tmp_path, forget=False, as_json=True) == 0
    assert json.loads(capsys.readouterr().out)["run"] == FITTING.run
    assert mask(tmp_path, forget=True, as_json=False) == 0
    assert read_fitting(tmp_path) is None
