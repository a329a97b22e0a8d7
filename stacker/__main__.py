"""Where the program starts: Ctrl-C while its modules are still being loaded ends it in one line, as later."""

import sys


def main() -> None:
    """Run the command line."""
    try:
        from stacker.cli.main import main as run
    except KeyboardInterrupt:
        sys.stderr.write("stopped.\n")
        sys.exit(1)
    run()


if __name__ == "__main__":
    main()
