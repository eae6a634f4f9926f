"""Runs one simulated rig: ``python -m drivers.simulated --rig NAME --dir FOLDER``."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m drivers.simulated", description=__doc__)
    parser.add_argument("--rig", default="built-in", help="refractor-112, reflector-190, or a TOML file")
    parser.add_argument(
        "--dir", required=True, type=Path, help="where the lines, the socket and ready.json go"
    )
    parser.add_argument("--seed", type=int, default=1, help="which rig and night are drawn")
    parser.add_argument("--speed", type=float, default=0.0, help="virtual seconds a second; 0: no pacing")
    parser.add_argument("--protocol", choices=("words", "frames"), default="words")
    parser.add_argument("--keep", action="store_true", help="live on when the starting process is gone")
    parser.add_argument(
        "--peek", action="store_true", help="tell the drawtube's true place when asked (tests)"
    )
    return parser


def main() -> int:
    """Run the rig; 2 when it is not known or its file is wrong."""
    options = _parser().parse_args()
    from drivers.simulated.parameters import load_rig
    from drivers.simulated.rig import RigProcess

    try:
        rig = load_rig(options.rig, options.seed)
    except (ValueError, TypeError, OSError) as error:
        print(f"simulated rig: {error}", file=sys.stderr)
        return 2
    process = RigProcess(
        rig,
        options.dir.resolve(),
        speed=options.speed,
        protocol=options.protocol,
        keep=options.keep,
        peek=options.peek,
    )
    process.run()
    return 0


if __name__ == "__main__":
    sys.exit(main())
