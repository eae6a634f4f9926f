"""A run packed for a bug report, and a profile held beside an older one."""

import contextlib
import json
import sqlite3
import tarfile
from pathlib import Path

import numpy as np
from astropy.io import fits

from daemon.commands.bundle import bundle
from daemon.commands.reanalyse import compared

RUN = "0123456789ab"
HISTORY = Path(__file__).with_name("histories") / "journal-3.sql"


def state_with_a_frame(folder):
    """Return a state folder whose run's first look has a frame with a place in its header."""
    state = folder / "state"
    (state / "log").mkdir(parents=True)
    frame = state / "look.fits"
    header = fits.Header()
    header["OBSERVER"], header["SITELAT"], header["FILTER"] = "A. Person", 48.123456, "Clear"
    fits.PrimaryHDU(np.ones((900, 1200), np.uint16), header).writeto(frame)
    with contextlib.closing(sqlite3.connect(state / "journal.sqlite3")) as connection:
        connection.executescript(HISTORY.read_text())
        ((number, answer),) = connection.execute(
            "SELECT number, answer FROM steps WHERE answer LIKE '%\"Seen\"%' LIMIT 1"
        ).fetchall()
        changed = json.loads(answer)
        changed["observation"]["path"] = str(frame)
        connection.execute(
            "UPDATE steps SET answer = ?, sum = NULL WHERE number = ?", (json.dumps(changed), number)
        )
        connection.commit()
    lines = [
        {"event": "at latitude_deg=48.123456", "run": RUN, "path": str(frame)},
        {"event": "another", "run": "ffffffffffff"},
    ]
    (state / "log" / "drawtube.log").write_text("".join(json.dumps(line) + "\n" for line in lines))
    return state


def test_a_bundle_holds_the_run_and_not_the_place(tmp_path, capsys):
    state, out = state_with_a_frame(tmp_path), tmp_path / "b.tar.gz"
    assert bundle(state, RUN, out) == 0
    assert capsys.readouterr().out.strip() == str(out)
    with tarfile.open(out) as archive:
        archive.extractall(tmp_path / "out", filter="data")
    inside = tmp_path / "out" / f"drawtube-{RUN}"
    names = {path.name for path in inside.iterdir()}
    assert names >= {"run.json", "journal.jsonl", "versions.json", "frames"}
    assert len((inside / "log.jsonl").read_text().splitlines()) == 1
    everything = b"".join(path.read_bytes() for path in inside.rglob("*") if path.is_file())
    for word in (b"48.123456", b"A. Person", str(state).encode()):
        assert word not in everything
    with fits.open(inside / "frames" / "look.fits") as opened:
        assert opened[0].data.shape == (512, 512)
        assert opened[0].header["FILTER"] == "Clear"
    with fits.open(state / "look.fits") as untouched:
        assert untouched[0].header["SITELAT"] == 48.123456


def test_a_run_that_is_not_there_is_said_so(tmp_path, capsys):
    assert bundle(state_with_a_frame(tmp_path), "nope", tmp_path / "b.tar.gz") == 2
    assert "drawtube runs" in capsys.readouterr().err
    assert bundle(tmp_path / "none", RUN, None) == 2
    assert not (tmp_path / "b.tar.gz").exists()


def measured(value, u):
    return {"value": value, "u": u, "low95": value - 2 * u, "high95": value + 2 * u}


def test_what_changed_between_two_profiles_is_told_in_their_own_uncertainty():
    filters = [{"name": "R", "offset_steps": measured(5.0, 1.0)}]
    old = {"backlash_steps": measured(100.0, 2.0), "filters": filters}
    new = {"backlash_steps": measured(103.0, 1.0), "filters": filters}
    (change,) = compared(old, new)
    assert (change["number"], change["shift_u"]) == ("backlash_steps", 1.5)
    assert compared(new, new) == []
    assert {item["number"] for item in compared(None, new)} == {"backlash_steps", "filters.R.offset_steps"}
    assert all(item["shift_u"] is None for item in compared(None, new))
