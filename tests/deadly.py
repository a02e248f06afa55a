"""Work that kills its own worker; imports nothing, as each fresh worker imports it."""

import os
import signal
import time


def deadly(number):
    """Kills its own worker when it is given 3."""
    if number == 3:
        time.sleep(0.2)
        os.kill(os.getpid(), signal.SIGKILL)
    return number * number
