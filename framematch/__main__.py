"""Where the program starts: what has to be set before anything large is imported."""

import gc
import sys


def main() -> None:
    """Run the command line."""
    gc.set_threshold(100_000, 20, 20)  # what a start makes stays: looking through it every 700 things takes a tenth of a guide
    from framematch.cli import main as command_line

    command_line()


if __name__ == "__main__":
    if not sys.flags.safe_path:
        del sys.path[0]  # the current folder, which ``-m`` puts there: files lying in it are no modules of ours
    main()
