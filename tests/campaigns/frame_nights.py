"""The same nights with frames: rendered by diffraction, measured as on any night. A minute or two each.

See `tests.campaigns.nights` for what is drawn and what counts as lost.
"""

from __future__ import annotations

from daemon.rehearsal_stage import StageOptions
from tests.campaigns.nights import chosen, lived
from tests.campaigns.tally import Tally

FULL, BRIEF = 24, 1


def run(rounds: int, seed: int, tally: Tally) -> None:
    """Live the hard nights and so many random ones, all with frames."""
    lived(chosen(rounds, seed), tally, StageOptions())


__all__ = ["BRIEF", "FULL", "lived", "run"]
