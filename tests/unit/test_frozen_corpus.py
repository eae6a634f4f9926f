"""Tables and histories whose numbers are frozen: one that moves by more than a fifth of its u is a change.

Written by `python tests/campaigns/freeze_corpus.py`, once, and again only when numbers are meant to change.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "campaigns"))

from freeze_corpus import FOLDER, numbers_of, setup_of
from frozen_tables import moves_of, observations_of

from routines.estimate.joint import fit_jointly

TABLES = sorted(FOLDER.glob("*.json"))
LARGEST_MOVE_U = 0.2
LARGEST_CHANGE_OF_U = 0.2


def test_the_corpus_is_there() -> None:
    assert len(TABLES) >= 8


@pytest.mark.parametrize("path", TABLES, ids=lambda path: path.stem)
def test_no_number_moves(path: Path) -> None:
    record = json.loads(path.read_text())
    fit = fit_jointly(observations_of(record), moves_of(record), setup_of(record))
    found = numbers_of(fit)
    assert found.keys() == record["numbers"].keys()
    for name, was in record["numbers"].items():
        now = found[name]
        assert (now is None) == (was is None), name
        if now is None or was is None:
            continue
        assert (now["value"] is None) == (was["value"] is None), name
        if was["value"] is None:
            assert now["high95"] == pytest.approx(was["high95"], rel=LARGEST_CHANGE_OF_U), name
            continue
        assert now["value"] == pytest.approx(was["value"], abs=LARGEST_MOVE_U * was["u"] + 1e-9), name
        assert now["u"] == pytest.approx(was["u"], rel=LARGEST_CHANGE_OF_U, abs=1e-9), name
