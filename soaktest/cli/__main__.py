"""``python -m soaktest.cli``."""

from soaktest.cli.app import main

main()
