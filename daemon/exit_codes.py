"""What a command's end tells the script that called it; the same codes for every command."""

from __future__ import annotations

DONE = 0
FAULT = 1  # of drawtube itself
USAGE = 2  # the call or the config
HARDWARE = 3  # or the link to it
SKY = 4  # or a gate: held too long, no star
NOT_GOOD_ENOUGH = 5
STOPPED = 130
