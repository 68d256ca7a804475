"""``python -m sitegis``."""

from .cli.main import main

main()
