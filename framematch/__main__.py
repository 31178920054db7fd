import sys

if not sys.flags.safe_path:
    del sys.path[0]  # the current folder, which ``-m`` puts there: files lying in it are no modules of ours

from framematch.cli import main

main()
