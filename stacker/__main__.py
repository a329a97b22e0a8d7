"""Run the command line program as ``python -m stacker``."""

from stacker.cli.main import main

if __name__ == "__main__":
    main()
