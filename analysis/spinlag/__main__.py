"""`python -m spinlag`: the same as the command."""

from spinlag.cli import main

main()
