"""`linklag sim`: hands over to the simulator, which is a program of its own.

Service and simulator import nothing from each other; they meet at the broker.
"""

import os
import subprocess
import sys
from collections.abc import Sequence

SIMULATOR = (sys.executable, "-P", "-m", "sensors_sim")  # -P: not from whatever folder we were started in
COMMANDS = ("list", "register", "run")
CALLED = {"LINKLAG_SIM_COMMAND": "linklag sim"}  # so that the simulator's help says what was typed


def simulate(arguments: Sequence[str]) -> int:
    """Run the simulator with these arguments, `run` being understood; return its exit code.

    Where the system can, this process becomes the simulator, so that signals reach it.
    """
    understood = [] if not arguments or arguments[0] in {*COMMANDS, "-h", "--help"} else ["run"]
    command = [*SIMULATOR, *understood, *arguments]
    if hasattr(os, "execve") and os.name == "posix":
        os.execve(command[0], command, os.environ | CALLED)  # noqa: S606 (no shell is wanted)
    return subprocess.call(command, env=os.environ | CALLED)  # noqa: S603 (the command is ours)
