"""One file a command: its options and what it does (row 5)."""

from sim.face.commands import (
    builds,
    check,
    compare,
    corners,
    demo,
    explore,
    export,
    fit,
    matrix,
    new,
    plan,
    replay,
    run,
    search,
    sheet,
    sweep,
    tune,
)
from sim.face.options import Command

COMMANDS: dict[str, Command] = {
    "new": new,
    "run": run,
    "tune": tune,
    "replay": replay,
    "fit": fit,
    "compare": compare,
    "check": check,
    "matrix": matrix,
    "corners": corners,
    "builds": builds,
    "search": search,
    "explore": explore,
    "sheet": sheet,
    "sweep": sweep,
    "plan": plan,
    "export": export,
    "demo": demo,
}
"""Every command by its name, in the order in which the help lists them."""
