"""Where the program starts: Ctrl-C while its modules are still being loaded ends it in one line, as later."""

import gc
import sys


def main() -> None:
    """Run the command line."""
    gc.set_threshold(
        50_000
    )  # what modules make while they load is no garbage: looking for some took a tenth of the time
    try:
        from stacker.cli.main import main as run
    except KeyboardInterrupt:
        sys.stderr.write("stopped.\n")
        sys.exit(1)
    run()


if __name__ == "__main__":
    main()
