"""Where the program starts: what has to be set before anything large is imported."""

import gc
import sys
from types import FunctionType


def main() -> None:
    """Run the command line."""
    gc.set_threshold(100_000, 20, 20)  # what a start makes stays: looking through it every 700 things takes a tenth of a guide
    from framematch.cli import main as command_line

    # CPython lays frames in pieces of 16 kB and gives each back to the system when the calls in it return, a thousand times in a guide where their depth
    # swings over a piece's edge. One frame of 256 kB, none of it used, makes it take a piece of 512 kB, which serves the calls inside as well.
    try:
        FunctionType(command_line.__code__.replace(co_stacksize=32_768), command_line.__globals__)()
    finally:
        gc.freeze()  # what is left ends with the process: looking through it on the way out takes a sixth of a guide


if __name__ == "__main__":
    if not sys.flags.safe_path:
        del sys.path[0]  # the current folder, which ``-m`` puts there: files lying in it are no modules of ours
    main()
