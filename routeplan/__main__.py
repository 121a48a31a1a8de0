"""`python -m routeplan` is the console script."""

from routeplan.cli import main

main()
