from framematch.cli import main

main()
