"""What a process holds is its own, whoever started it."""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np

from matcher.lab.processes import family, most_resident, resident, resident_family

HELD = 400_000_000
ASKED = "from matcher.lab.processes import most_resident; print(most_resident())"


def test_the_most_a_program_held_is_not_what_its_parent_held() -> None:
    """getrusage's ru_maxrss begins with the parent's: a campaign's bound was broken by the tests before it."""
    ballast = np.ones(HELD, np.uint8)
    told = subprocess.run([sys.executable, "-c", ASKED], capture_output=True, text=True, check=True).stdout
    assert 0 < int(told) < HELD < min(resident(), most_resident())
    assert ballast[-1] == 1


def test_a_family_is_a_process_and_its_descendants() -> None:
    command = [sys.executable, "-c", "import sys; print('up', flush=True); sys.stdin.read()"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as child:
        assert child.stdout
        child.stdout.readline()
        assert child.pid in family(os.getpid())
        assert resident_family(child.pid) == resident(child.pid) > 1_000_000
        child.communicate()
    assert resident(child.pid) == 0
